"""Pairwise weights against Saaty's published matrices and the ahpy library."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from siting.errors import SitingError
from siting.settings.ratios.weights import pairwise_weights

# Saaty's house: size, transport, neighbourhood, age, yard, modern, condition, finance
# (Saaty 1990, doi 10.1016/0377-2217(90)90057-I; matrix from memory, the published weights and
# consistency follow from it to the last printed digit).
HOUSE = (
    "1 5 3 7 6 6 1/3 1/4;1/5 1 1/3 5 3 3 1/5 1/7;1/3 3 1 6 3 4 6 1/5;1/7 1/5 1/6 1 1/3 1/4 1/7 1/8;"
    "1/6 1/3 1/3 3 1 1/2 1/5 1/6;1/6 1/3 1/4 4 2 1 1/5 1/6;3 5 1/6 7 5 5 1 1/2;4 7 5 8 6 6 2 1"
)
HOUSE_WEIGHTS = (0.173, 0.054, 0.188, 0.018, 0.031, 0.036, 0.167, 0.333)
# Relative consumption of drinks (Saaty 2008, Int. J. Services Sciences 1:83-98).
DRINKS = (
    "1 9 5 2 1 1 1/2;1/9 1 1/3 1/9 1/9 1/9 1/9;1/5 3 1 1/3 1/4 1/3 1/9;1/2 9 3 1 1/2 1 1/3;"
    "1 9 4 2 1 2 1/2;1 9 3 1 1/2 1 1/3;2 9 9 3 2 3 1"
)
DRINK_WEIGHTS = (0.177, 0.019, 0.042, 0.116, 0.190, 0.129, 0.327)
# Distances from Philadelphia (Saaty 1977, doi 10.1016/0022-2496(77)90033-5).
CITIES = (
    "1 1/3 8 3 3 7;3 1 9 3 3 9;1/8 1/9 1 1/6 1/5 2;1/3 1/3 6 1 1/3 6;1/3 1/3 5 3 1 6;"
    "1/7 1/9 1/2 1/6 1/6 1"
)
CITY_WEIGHTS = (0.263, 0.397, 0.033, 0.116, 0.164, 0.027)


def table(text):
    return [row.split() for row in text.split(";")]


def solve(text, *, allow=True):
    rows = table(text)
    return pairwise_weights([f"c{k}" for k in range(len(rows))], rows, allow_inconsistent=allow)


def test_house():
    found = solve(HOUSE)
    np.testing.assert_allclose(list(found.weights.values()), HOUSE_WEIGHTS, atol=6e-4)
    assert found.lambda_max == pytest.approx(9.669, abs=6e-4)
    assert found.consistency_index == pytest.approx(0.238, abs=6e-4)
    assert found.consistency_ratio == pytest.approx(0.169, abs=6e-4)


def test_house_keeps_the_order_of_the_eigenvector():
    """The geometric mean of rows would put size before neighbourhood: not used here."""
    weights = np.array(list(solve(HOUSE).weights.values()))
    assert np.argsort(-weights)[:4].tolist() == [7, 2, 0, 6]


def test_house_is_refused_unless_told_otherwise():
    with pytest.raises(SitingError) as refused:
        solve(HOUSE, allow=False)
    assert refused.value.code == "E-WEIGHTS-02"
    assert "0.169" in str(refused.value)
    assert "c2 against c6" in str(refused.value)  # neighbourhood 6 times condition


def test_drinks():
    found = solve(DRINKS, allow=False)
    np.testing.assert_allclose(list(found.weights.values()), DRINK_WEIGHTS, atol=6e-4)
    assert found.consistency_ratio == pytest.approx(0.022, abs=6e-4)


def test_distances_of_cities():
    found = solve(CITIES, allow=False)
    np.testing.assert_allclose(list(found.weights.values()), CITY_WEIGHTS, atol=1.5e-3)
    assert found.lambda_max == pytest.approx(6.45, abs=5e-3)


def test_three_by_three_by_hand():
    found = solve("1 3 5;1/3 1 3;1/5 1/3 1", allow=False)
    np.testing.assert_allclose(list(found.weights.values()), [0.6370, 0.2583, 0.1047], atol=1e-4)
    assert found.lambda_max == pytest.approx(3.0385, abs=1e-4)
    assert found.consistency_ratio == pytest.approx(0.0332, abs=1e-4)


def test_rows_taken_for_columns_give_other_weights():
    """Planted fault: the transposed house does not pass."""
    turned = [list(column) for column in zip(*table(HOUSE), strict=True)]
    names = [f"c{k}" for k in range(8)]
    found = pairwise_weights(names, turned, allow_inconsistent=True)
    assert not np.allclose(list(found.weights.values()), HOUSE_WEIGHTS, atol=0.05)


@pytest.mark.parametrize("text", [HOUSE, DRINKS, CITIES])
def test_ahpy_agrees(text):
    import ahpy

    rows = table(text)
    names = [f"c{k}" for k in range(len(rows))]
    pairs = {
        (names[i], names[j]): float(Fraction(rows[i][j]))
        for i in range(len(names))
        for j in range(i + 1, len(names))
    }
    theirs = ahpy.Compare("all", pairs, precision=6, random_index="saaty")
    ours = solve(text)
    for name in names:
        assert ours.weights[name] == pytest.approx(theirs.local_weights[name], abs=2e-6)
    assert ours.consistency_ratio == pytest.approx(theirs.consistency_ratio, abs=2e-3)


@pytest.mark.parametrize(
    ("matrix", "said"),
    [
        ([[1, 2], [2, 1]], "the other way round"),
        ([[1, 2, 3], [0.5, 1, 2]], "rows of"),
        ([[1, 0], [0, 1]], "0"),
        ([[1, "a"], ["1/2", 1]], "'a'"),
        ([[1, "1/0"], [1, 1]], "1/0"),
        ([[2, 2], [0.5, 1]], "against"),
        ([[1, float("inf")], [0, 1]], "inf"),
        ([[1, -3], [-1 / 3, 1]], "-3"),
    ],
)
def test_faulty_tables_are_told(matrix, said):
    with pytest.raises(SitingError) as refused:
        pairwise_weights(["a", "b"], matrix)
    assert refused.value.code == "E-WEIGHTS-01"
    assert said in str(refused.value)


def test_names_must_be_few_and_different():
    for names in ([], ["a", "a"], [str(k) for k in range(11)]):
        with pytest.raises(SitingError, match="E-WEIGHTS-01"):
            pairwise_weights(names, [[1.0] * len(names)] * len(names))


weights = st.lists(st.floats(0.01, 1), min_size=1, max_size=10)


@settings(deadline=None)
@given(weights)
def test_consistent_judgements_give_back_their_weights(given_weights):
    want = np.array(given_weights) / sum(given_weights)
    names = [f"c{k}" for k in range(len(want))]
    found = pairwise_weights(names, (want[:, None] / want[None, :]).tolist())
    np.testing.assert_allclose(list(found.weights.values()), want, rtol=1e-6)
    assert found.consistency_ratio == pytest.approx(0, abs=1e-6)


@settings(deadline=None)
@given(weights, st.randoms(use_true_random=False), st.data())
def test_order_of_the_criteria_does_not_matter(given_weights, random, data):
    n = len(given_weights)
    noise = data.draw(st.lists(st.floats(0.5, 2), min_size=n * n, max_size=n * n))
    matrix = np.ones((n, n))
    for i in range(n):
        for j in range(i + 1, n):
            matrix[i, j] = given_weights[i] / given_weights[j] * noise[i * n + j]
            matrix[j, i] = 1 / matrix[i, j]
    names = [f"c{k}" for k in range(n)]
    order = list(range(n))
    random.shuffle(order)
    plain = pairwise_weights(names, matrix.tolist(), allow_inconsistent=True)
    mixed = pairwise_weights(
        [names[k] for k in order], matrix[np.ix_(order, order)].tolist(), allow_inconsistent=True
    )
    for name in names:
        assert mixed.weights[name] == pytest.approx(plain.weights[name], rel=1e-6)
    assert all(weight > 0 for weight in plain.weights.values())
