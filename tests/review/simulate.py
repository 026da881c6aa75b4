"""Seasons whose truth is known: what the intervals cover, what is said, what may change.

    python -m tests.review.simulate [SEASONS]

Two cameras a property, properties alike by 0.5, dispersion 1, 14 to 60 days: the table of
docs/review.md. A minute or two for 40 seasons a row.
"""

from __future__ import annotations

import sys

import numpy as np

from siting.review.cameras import level_of
from siting.review.change import TAU
from siting.review.statistics.headline import slope_fit, verdict
from siting.review.statistics.ranks import Interval
from siting.review.statistics.weights import shrunken
from tests.review.test_answer import W0, season

TRUTHS = {
    "right": lambda rng: W0 + rng.normal(0, 0.5, 6),
    "useless": lambda rng: np.zeros(6),
    "wrong": lambda rng: np.array([0, -np.log(2), np.log(2), 0, 2 * np.log(1.5), np.log(1.5)]),
}
COUNTS = (10, 20, 40, 80, 200)


def row(kind: str, count: int, seasons: int) -> str:
    """Shares of one kind of truth and one number of cameras, as a row of the table."""
    rng = np.random.default_rng(count)
    covered, slopes, verdicts, changes = [], [], [], 0
    for number in range(seasons):
        truth = TRUTHS[kind](rng)
        c = season(count, truth=truth, seed=1000 * count + number)
        fit = shrunken(c.events, c.days, c.columns, W0, tau=TAU, cluster=c.cluster)
        covered.append((fit.low <= truth) & (truth <= fit.high))
        level = level_of(count, len(set(c.cluster)), float(c.days.sum()), float(c.events.sum()))
        slope = slope_fit(c.events, c.days, c.score, cluster=c.cluster)
        ends = Interval(float(slope.w[0]), float(slope.low[0]), float(slope.high[0]))
        slopes.append(ends)
        verdicts.append("few" if level in ("list", "few") else verdict(ends))
        changes += level == "full" and bool((fit.said_by_data >= 0.5).any())
    shares = {v: round(100 * verdicts.count(v) / seasons) for v in sorted(set(verdicts))}
    told = ", ".join(f"{v} {share}" for v, share in shares.items())
    return (
        f"| {kind} | {count} | {100 * np.mean(covered):.0f} | {told} | "
        f"{100 * changes / seasons:.0f} |"
    )


def main() -> None:
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("| the protocol is | cameras | covered, % | verdicts, % | a ratio may change, % |")
    print("|---|--:|--:|---|--:|")
    for kind in TRUTHS:
        for count in COUNTS:
            print(row(kind, count, seasons), flush=True)


if __name__ == "__main__":
    main()
