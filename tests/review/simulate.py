"""Seasons whose truth is known: what the intervals cover and how often a change is suggested.

python -m tests.review.simulate [SEASONS]
"""

from __future__ import annotations

import sys

import numpy as np

from siting.review.answer import TAU, answer
from siting.review.statistics.weights import shrunken
from tests.review.test_answer import W0, season

TRUTHS = {
    "right": lambda rng: W0 + rng.normal(0, 0.5, 6),
    "useless": lambda rng: np.zeros(6),
    "wrong": lambda rng: np.array([0, -np.log(2), np.log(2), 0, 2 * np.log(1.5), np.log(1.5)]),
}


def row(kind: str, count: int, seasons: int) -> str:
    """Coverage of the 90 % intervals, share of verdicts and of suggested changes."""
    rng = np.random.default_rng(count)
    covered, verdicts, fragments = [], [], 0
    for number in range(seasons):
        truth = TRUTHS[kind](rng)
        cameras = season(count, truth=truth, seed=1000 * count + number)
        fit = shrunken(cameras.events, cameras.days, cameras.columns, W0, tau=TAU,
                       cluster=cameras.cluster)  # fmt: skip
        covered.append((fit.low <= truth) & (truth <= fit.high))
        found = answer(cameras, group="simulated")
        verdicts.append(found.verdict)
        fragments += found.fragment
    said = {v: f"{100 * verdicts.count(v) / seasons:.0f}" for v in dict.fromkeys(sorted(verdicts))}
    told = ", ".join(f"{v} {share}" for v, share in said.items())
    return (
        f"| {kind} | {count} | {100 * np.mean(covered):.0f} | {told} | "
        f"{100 * fragments / seasons:.0f} |"
    )


def main() -> None:
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("| the protocol is | cameras | covered, % | verdicts, % | changes suggested, % |")
    print("|---|--:|--:|---|--:|")
    for kind in TRUTHS:
        for count in (10, 20, 40, 80, 200):
            print(row(kind, count, seasons), flush=True)


if __name__ == "__main__":
    main()
