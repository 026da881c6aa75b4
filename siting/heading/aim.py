"""Which way each candidate's camera should look: best and second heading, with the reason."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from siting.grid import FloatArray
from siting.heading.compass import Declination
from siting.heading.judged import HEADINGS_DEG, Headings
from siting.heading.sun import SunTrack
from siting.lengths import compass_word
from siting.spot_parts import Aim, HeadingFacts

IndexArray = NDArray[np.intp]

# What a heading with more low sun may have before the others.
_BETTER = ("clear", "slant", "target", "private", "level", "cover")
# Smaller differences are no reason that a reader could see on the ground: our choice.
_CLEARLY_MINUTES, _CLEARLY_PART = 3.0, 0.2
# Share of a direction's headings that may be closed before the direction is.
_SHUT_SHARE = 0.25
# Span of one of the eight directions, degrees.
EIGHTH_DEG = 45.0


def _anywhere(candidate: int, heading_deg: float) -> bool:
    del candidate, heading_deg
    return True


def best_and_second(judged: Headings, *, second_turn_deg: float) -> tuple[IndexArray, IndexArray]:
    """Number of the best heading of each candidate, and of the best one that differs enough.

    Equal scores (to six decimals) are settled by the least sun in the half of the sky ahead,
    then by the smaller bearing; so open ground gives north in the north and south in the south.
    Of eight directions (`by_eight`) the middle one stands for its span.

    Returns
    -------
    two (n,) int arrays into `HEADINGS_DEG`; the second is the best again where no heading that
    differs enough is open
    """
    n, count = judged.score.shape
    off_middle = np.arange(count) % (count // 8) != 0
    bearing = np.broadcast_to(np.arange(count) + count * (off_middle & judged.spans), (n, count))
    # Rounded, so that a difference in the last digit between two processors settles nothing.
    keys = (bearing, np.round(judged.sun.in_front, 1), -np.round(judged.score, 6))
    order = np.lexsort(keys, axis=1)
    best = order[:, 0]
    turn = np.abs(HEADINGS_DEG[order] - HEADINGS_DEG[best][:, None])
    # A second choice a few degrees from the first would be of no use where the first is blocked.
    far = np.minimum(turn, 360.0 - turn) >= second_turn_deg - 1e-9
    second: IndexArray = order[np.arange(n), far.argmax(axis=1)]
    shut = np.take_along_axis(judged.score, second[:, None], axis=1)[:, 0] <= 0
    return best, np.where(shut, best, second)


def by_eight(judged: Headings) -> Headings:
    """The same headings with one score for each of eight directions, its mean over the span.

    Where ground and lines are known to tens of metres, a bearing is known no better. A direction
    is closed where more than a quarter of its headings are; its low sun is the worst within.
    """
    score = _over_eight(judged.score, np.mean)
    shut = _over_eight(judged.ahead.limited.astype(float), np.mean) > _SHUT_SHARE
    minutes = _over_eight(judged.sun.minutes, np.max)
    in_front = _over_eight(judged.sun.in_front, np.mean)
    return replace(
        judged,
        score=np.where(shut, 0.0, score),
        sun=judged.sun._replace(minutes=minutes, in_front=in_front),
        ahead=judged.ahead._replace(limited=shut),
        spans=True,
    )


def _over_eight(values: FloatArray, how: Callable[..., FloatArray]) -> FloatArray:
    """One value for each eighth of the circle about north, north-east ..., at all its headings."""
    n, count = values.shape
    wide = count // 8
    # Rolled by half a span, so that north takes as much from its west as from its east.
    parts = how(np.roll(values, wide // 2, axis=1).reshape(n, 8, wide), axis=2)
    return np.roll(np.repeat(parts, wide, axis=1), -(wide // 2), axis=1)


def aims(
    judged: Headings,
    *,
    track: SunTrack,
    compass: Declination,
    zone_m: float,
    second_turn_deg: float,
    targets: Sequence[str],
    side_open: Callable[[int, float], bool] = _anywhere,
) -> tuple[Aim, ...]:
    """The aim of each candidate, in their order.

    Parameters
    ----------
    judged : Headings
    track : SunTrack the headings were judged with
    compass : Declination of the parcel
    zone_m : float, metres within which the camera is trusted to trigger
    second_turn_deg : float, least turn between best and second heading
    targets : name of the feature each candidate serves, "" for none
    side_open : whether one could stand on the far side of that feature and look back along a
        heading, by number of the candidate and heading in degrees
    """
    best, second = best_and_second(judged, second_turn_deg=second_turn_deg)
    return tuple(
        _aim(
            judged,
            i,
            (int(best[i]), int(second[i])),
            track=track,
            compass=compass,
            zone_m=zone_m,
            target=targets[i],
            side_open=side_open,
        )
        for i in range(len(best))
    )


def _aim(
    judged: Headings,
    i: int,
    chosen: tuple[int, int],
    *,
    track: SunTrack,
    compass: Declination,
    zone_m: float,
    target: str,
    side_open: Callable[[int, float], bool],
) -> Aim:
    best, second = (
        replace(
            _facts(judged, i, h, track=track, zone_m=zone_m, target=target),
            side_open=side_open(i, float(HEADINGS_DEG[h])),
        )
        for h in chosen
    )
    won_by, rival_deg = _rather(judged, i, chosen[0])
    best = replace(best, won_by=won_by, rival_deg=rival_deg)
    other = chosen[1] != chosen[0]
    parts = {k: part[i] for k, part in judged.parts.items() if np.isfinite(part[i]).any()}
    return Aim(
        best=best,
        second=second if other else None,
        score=float(judged.score[i, chosen[0]]),
        second_score=float(judged.score[i, chosen[1]]) if other else np.nan,
        magnetic_heading_deg=compass.magnetic(best.heading_deg),
        second_magnetic_deg=compass.magnetic(second.heading_deg) if other else None,
        declination_deg=compass.east_deg,
        compass_model=compass.model,
        compass_day=compass.day.isoformat(),
        compass_trouble=compass.trouble,
        scores=judged.score[i],
        parts=parts,
        sun_minutes=judged.sun.minutes[i],
        span_deg=EIGHTH_DEG if judged.spans else 0.0,
    )


def _facts(
    judged: Headings, i: int, heading: int, *, track: SunTrack, zone_m: float, target: str
) -> HeadingFacts:
    """Everything the words need of one heading of one candidate."""
    clear = float(judged.ahead.clear_m[i, heading])
    return HeadingFacts(
        heading_deg=float(HEADINGS_DEG[heading]),
        sun_minutes=float(judged.sun.minutes[i, heading]),
        sun_by_hour=judged.sun.by_hour[i, :, heading],
        least_sun_minutes=float(judged.sun.minutes[i].min()),
        flat_minutes=float(judged.sun.flat_minutes[heading]),
        sun_never_up=track.never_up,
        clear_m=clear if np.isfinite(clear) else None,
        zone_m=zone_m,
        line=str(judged.met.near.kind[i]),
        crossing_deg=float(judged.met.crossing_deg[i, heading]),
        met_m=float(judged.met.met_m[i, heading]),
        target=target,
        target_turn_deg=float(judged.met.target_turn_deg[i, heading]),
        target_m=float(judged.met.target_m[i]),
        neighbour_share=float(judged.ahead.neighbour_share[i, heading]),
        people_m=float(judged.ahead.people_m[i, heading]),
        rise_deg=float(judged.ahead.rise_deg[i, heading]),
        tilt_deg=float(judged.ahead.tilt_deg[i, heading]),
        brush_share=float(judged.ahead.brush_share[i, heading]),
        water_share=float(judged.ahead.water_share[i, heading]),
        reach_m=float(judged.reach_m[i]),
        inside_m=float(judged.ahead.inside_m[i, heading]),
        exact=not judged.spans,
    )


def _rather(judged: Headings, i: int, chosen: int) -> tuple[str, float]:
    """The part by which a heading beats one with clearly less low sun, and that one's degrees.

    "" and NaN where there is none or the parts do not show it. It is compared with
    the best of the headings with (to a minute) the least sun.
    """
    minutes = judged.sun.minutes[i]
    if minutes[chosen] < minutes.min() + _CLEARLY_MINUTES:
        return "", float("nan")
    # Within a minute of the least: sun tables are no finer than that.
    rivals = np.flatnonzero(minutes <= minutes.min() + 1.0)
    rival = int(rivals[np.argmax(np.nan_to_num(judged.score[i, rivals], nan=-1.0))])
    more = {
        name: float(judged.parts[name][i, chosen] - judged.parts[name][i, rival])
        for name in _BETTER
        if name in judged.parts
    }
    clearly = {name: gain for name, gain in more.items() if gain >= _CLEARLY_PART}
    if not clearly:
        return "", float("nan")
    won = max(clearly, key=lambda name: clearly[name])
    facing = compass_word(float(HEADINGS_DEG[rival]))
    if facing == compass_word(float(HEADINGS_DEG[chosen])):
        return "", float("nan")
    return won, float(HEADINGS_DEG[rival])
