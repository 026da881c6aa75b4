"""Seasons whose truth is known: what the intervals cover, what is said, what may change.

    python -m tests.review.simulate [SEASONS]

Two cameras a property, properties alike by 0.5, dispersion 1, 14 to 60 days: the table of
docs/review.md. A quarter of an hour for 1,000 seasons a row. Fewer do not show what an interval
covers: of 200 seasons a share of 90 % comes out at 86 to 94 (two standard errors).
"""

from __future__ import annotations

import sys

import numpy as np

from siting.review.answer import answer
from siting.review.cameras import Cameras, level_of
from siting.review.change import TAU, fit_of
from siting.review.statistics.headline import headline_slope, verdict
from tests.review.test_answer import W0, season

TRUTHS = {
    "right": lambda rng: W0 + rng.normal(0, 0.5, 6),
    "useless": lambda rng: np.zeros(6),
    "wrong": lambda rng: np.array([0, -np.log(2), np.log(2), 0, 2 * np.log(1.5), np.log(1.5)]),
}
COUNTS = (10, 20, 40, 80, 200)


def best_slope(truth: np.ndarray, cameras: Cameras) -> float:
    """The slope that the true weights have on the score at these places."""
    centred = cameras.score - cameras.score.mean()
    return float(centred @ (cameras.columns @ truth) / (centred @ centred))


def said_of(cameras: Cameras) -> tuple[str, tuple[float, float] | None, bool]:
    """Verdict, ends of the slope, and whether lines for the protocol would be suggested at all."""
    days, events = float(cameras.days.sum()), float(cameras.events.sum())
    level = level_of(len(cameras.ids), len(set(cameras.cluster)), days, events)
    if level in ("list", "few"):
        found = answer(cameras, group="deer")
        ends = None if found.slope is None else (found.slope.low, found.slope.high)
        return found.verdict, ends, found.fragment
    # As `headline_of` says it, without what a perfect score would have won: that is slow.
    slope = headline_slope(cameras.events, cameras.days, cameras.score, cluster=cameras.cluster)
    return verdict(slope), (slope.low, slope.high), level == "full"


def row(kind: str, count: int, seasons: int) -> str:
    """Shares of one kind of truth and one number of cameras, as a row of the table."""
    rng = np.random.default_rng(count)
    covered, slopes, verdicts, changes = [], [], [], 0
    for number in range(seasons):
        truth = TRUTHS[kind](rng)
        c = season(count, truth=truth, seed=1000 * count + number)
        fit = fit_of(c, TAU)
        covered.append((fit.low <= truth) & (truth <= fit.high))
        said, ends, open_to_change = said_of(c)
        verdicts.append(said)
        if ends is not None:
            slopes.append(ends[0] <= best_slope(truth, c) <= ends[1])
        changes += open_to_change and bool((fit.said_by_data >= 0.5).any())
    shares = {v: round(100 * verdicts.count(v) / seasons) for v in sorted(set(verdicts))}
    told = ", ".join(f"{v} {share}" for v, share in shares.items())
    return (
        f"| {kind} | {count} | {100 * np.mean(covered):.0f} | {100 * np.mean(slopes):.0f} | {told} "
        f"| {100 * changes / seasons:.0f} |"
    )


def main() -> None:
    """Print the table, a row at a time."""
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print("| the protocol is | cameras | ratios covered, % | slope covered, % | verdicts, % "
          "| a ratio may change, % |")  # fmt: skip
    print("|---|--:|--:|--:|---|--:|")
    for kind in TRUTHS:
        for count in COUNTS:
            print(row(kind, count, seasons), flush=True)


if __name__ == "__main__":
    main()
