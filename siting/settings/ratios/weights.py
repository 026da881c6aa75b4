"""Weights from pairwise comparison: each two criteria judged against each other (Saaty 1980)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from siting.errors import SitingError

ACCEPTED_RATIO = 0.10
# Mean consistency index of random matrices of size 1, 2, ... 10 (Saaty 1980).
RANDOM_INDEX = (0.0, 0.0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49)
_RULE = (
    "A pairwise comparison is a square table of positive numbers with 1 on the diagonal and "
    "1/x opposite every x."
)


@dataclass(frozen=True)
class PairwiseWeights:
    """What a pairwise comparison comes to.

    Parameters
    ----------
    weights : mapping from criterion to weight
        Above 0, summing to 1, in the order of the names given.
    lambda_max : float
        Principal eigenvalue; the number of criteria for perfectly consistent judgements.
    consistency_index, consistency_ratio : float
        (lambda_max - n) / (n - 1), and that over the random index.
    doubtful : tuple of (criterion, criterion, judged, implied)
        The judgement that fits the rest least: what was given, and what the weights imply.
    """

    weights: Mapping[str, float]
    lambda_max: float
    consistency_index: float
    consistency_ratio: float
    doubtful: tuple[str, str, float, float] | None


def pairwise_weights(
    names: Sequence[str],
    matrix: Sequence[Sequence[float | str]],
    *,
    allow_inconsistent: bool = False,
) -> PairwiseWeights:
    """Weights by the principal eigenvector, with the consistency of the judgements.

    Parameters
    ----------
    names : sequence of str
        One per row, at most ten.
    matrix : n rows of n numbers
        Row i, column j: how many times as important i is as j, 1/9 to 9 by Saaty's scale;
        fractions may be written as text ("1/3").
    allow_inconsistent : bool
        Take judgements with a consistency ratio above 0.10 as well.

    Raises
    ------
    SitingError
        E-WEIGHTS-01 for a faulty table, E-WEIGHTS-02 for an inconsistent one.

    References
    ----------
    Saaty TL (1977), doi 10.1016/0022-2496(77)90033-5; Saaty TL (1980), The analytic hierarchy
    process. The eigenvector is used and not the geometric mean of rows: the two can order
    inconsistent judgements differently.

    Examples
    --------
    >>> found = pairwise_weights(["trail", "edge"], [[1, 3], ["1/3", 1]])
    >>> {name: round(weight, 3) for name, weight in found.weights.items()}
    {'trail': 0.75, 'edge': 0.25}
    """
    judged = _checked_matrix(names, matrix)
    n = len(names)
    values, vectors = np.linalg.eig(judged)
    principal = int(values.real.argmax())
    # The principal vector may come with either sign; its parts all have the same.
    weight = np.abs(vectors[:, principal].real)
    weight /= weight.sum()
    lambda_max = float(values[principal].real)
    # Rounding must not turn perfect consistency into a negative figure.
    index = max(0.0, (lambda_max - n) / (n - 1)) if n > 1 else 0.0
    ratio = index / RANDOM_INDEX[n - 1] if n > 2 else 0.0
    doubtful = _least_fitting(names, judged, weight)
    if ratio > ACCEPTED_RATIO and not allow_inconsistent:
        raise _inconsistent(ratio, doubtful)
    by_name = {name: float(w) for name, w in zip(names, weight, strict=True)}
    return PairwiseWeights(by_name, lambda_max, index, ratio, doubtful)


def _checked_matrix(
    names: Sequence[str], matrix: Sequence[Sequence[float | str]]
) -> NDArray[np.float64]:
    n = len(names)
    if not 1 <= n <= len(RANDOM_INDEX) or len(set(names)) != n:
        raise _faulty(f"It has {n} criteria: {', '.join(names)}.", "Compare 1 to 10, each once.")
    lengths = [len(row) for row in matrix]
    if lengths != [n] * n:
        raise _faulty(
            f"It has rows of {lengths} numbers for {n} criteria.", f"Give {n} rows of {n} numbers."
        )
    judged = np.array([[_number(cell) for cell in row] for row in matrix])
    for i in range(n):
        for j in range(i, n):
            product = judged[i, j] * judged[j, i]
            # 0.33 and 3 are meant as a pair: 2 % allows for decimals cut after two places
            if abs(product - 1.0) > 0.02 or (i == j and judged[i, i] != 1.0):
                raise _faulty(
                    f"{names[i]} against {names[j]} is {judged[i, j]:g}, the other way round "
                    f"{judged[j, i]:g}.",
                    f"Write {1 / judged[i, j]:.4g} the other way round." if i != j else "Write 1.",
                )
    return judged


def _number(cell: float | str) -> float:
    try:
        value = float(Fraction(cell)) if isinstance(cell, str) else float(cell)
    except (ValueError, ZeroDivisionError, OverflowError, TypeError):
        value = float("nan")
    if not (np.isfinite(value) and value > 0):
        raise _faulty(f"It holds {cell!r}.", 'Write a number such as 3, 0.5 or "1/3".')
    return value


def _least_fitting(
    names: Sequence[str], judged: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[str, str, float, float] | None:
    implied = weight[:, None] / weight[None, :]
    # By the logarithm: twice too much and half too little are as far off.
    misfit = np.triu(np.abs(np.log(judged / implied)), 1)
    if misfit.max(initial=0.0) < 1e-9:
        return None
    i, j = (int(k) for k in np.unravel_index(int(misfit.argmax()), misfit.shape))
    return names[i], names[j], float(judged[i, j]), float(implied[i, j])


def _faulty(what: str, cure: str) -> SitingError:
    return SitingError("E-WEIGHTS-01", f"Pairwise comparison: {what}", rule=_RULE, cure=cure)


def _inconsistent(ratio: float, doubtful: tuple[str, str, float, float] | None) -> SitingError:
    where = ""
    if doubtful:
        one, other, judged, implied = doubtful
        where = (
            f"Look again at {one} against {other}: it was judged {judged:.3g}, the other "
            f"judgements say about {implied:.2g}. "
        )
    return SitingError(
        "E-WEIGHTS-02",
        f"The judgements contradict each other: consistency ratio {ratio:.3f}.",
        rule=f"It may be {ACCEPTED_RATIO:.2f} at most (Saaty 1980).",
        cure=f"{where}To take them as they are, set allow_inconsistent = true.",
    )
