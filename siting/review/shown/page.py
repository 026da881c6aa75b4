"""review.html: one answer first, then what it rests on. No script, nothing is loaded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from siting import __version__, criteria
from siting.report.shared.assets import page_without_scripts
from siting.report.shared.text import clean
from siting.review.answer import Answer
from siting.review.blanks import DIRECTIONS, Blanks, rate_by_heading
from siting.review.cameras import Cameras
from siting.review.change import WeightRow
from siting.review.groups import GroupRow
from siting.review.shown import plots
from siting.words.office import review as words
from siting.words.office import review_method as method

_ALL_GOOD_SHARE = 0.75
# A smaller class could show what a single camera recorded.
_PUBLIC_CLASS = 5


def review_page(
    found: Answer,
    cameras: Cameras,
    *,
    about: str,
    blanks: Blanks | None = None,
    public: bool = False,
) -> str:
    """The whole page as HTML text.

    Parameters
    ----------
    found, cameras : the answer and the arrays it was made from
    about : str
        Which season, for the line under the title.
    blanks : what blank pictures say of the sun, or None
    public : bool
        Leave out whatever tells of a single deployment or place.
    """
    return page_without_scripts(
        "review/review.html",
        style="review/review.css",
        about=clean(about),
        headline=headline(found),
        questions=questions(found, cameras),
        ranges=words.ABOUT_90 if found.slope is not None else "",
        used=_used(found),
        # Notes name single deployments.
        notes=[clean(note.text) for note in found.notes if not public],
        plots=_plots(found, cameras, public),
        tables=_tables(found, public),
        blanks=None if blanks is None else _blanks(blanks, public),
        weights=[_weight(row) for row in found.weights],
        limits=words.LIMITS,
        ask=words.ASK,
        method=_method(found),
        made_by=f"siting {__version__}",
    )


def headline(found: Answer) -> str:
    """The one sentence on top."""
    lowest, highest = (found.classes[0].rate, found.classes[-1].rate) if found.classes else (0, 0)
    # The two rates may only be named where they go the way the sentence says.
    rates = {"lowest_rate": lowest, "highest_rate": highest} if highest > lowest else {}
    return words.headline(
        found.verdict, cameras=found.cameras, pairs=found.pairs, best_pairs=found.best_pairs,
        **rates,
    )  # fmt: skip


def questions(found: Answer, cameras: Cameras) -> list[tuple[str, str]]:
    """A coordinator's five questions with their answers."""
    changed = [
        words.change(_label(row.name), protocol=row.protocol, proposed=row.proposed)
        for row in found.weights
        if row.proposed is not None
    ]
    kept = [_label(row.name) for row in found.weights if row.proposed is None]
    judged = bool(found.weights) or found.level in ("list", "few")
    sure = (
        words.how_sure(
            found.verdict, slope=found.slope, cameras=found.cameras, places=found.clusters
        )
        if len(cameras.protocol_w) or found.verdict == "few"
        else words.order_only(found.pairs)
    )
    answers = (
        words.SHORT[found.verdict],
        sure,
        words.what_to_change(changed, fragment=found.fragment, level=found.level, judged=judged),
        words.what_stays(kept if found.weights else []),
        words.next_season(
            all_good=all_good(cameras),
            cameras=found.cameras,
            random=found.random_cameras,
            verdict=found.verdict,
        ),
    )
    return list(zip(words.QUESTIONS, answers, strict=True))


def all_good(cameras: Cameras) -> bool:
    """True where three cameras in four stood on the better quarter of the open ground."""
    if cameras.land_score is None or not len(cameras.land_score):
        return False
    good = np.quantile(cameras.land_score, 0.75)
    return bool((cameras.of_the_place >= good).mean() >= _ALL_GOOD_SHARE)


def _label(name: str) -> str:
    return criteria.label_of(name, name)


def _used(found: Answer) -> list[tuple[str, str]]:
    rows = [
        ("Group", clean(found.group)),
        ("Cameras", f"{found.cameras} at {found.clusters} independent places"),
        ("Camera-days", f"{found.days:,.0f}"),
        ("Events", f"{found.events:,.0f}"),
    ]
    if found.slope is not None:
        value, low, high = found.slope
        rows.append(("Slope of records on the score", f"{value:.2f} ({low:.2f} to {high:.2f})"))
    if found.picked is not None:
        said = words.picked(found.picked, random=found.random_cameras)
        rows.append(("Picked places against random ones", said))
    if found.within_p is not None:
        rows.append(("Chance alone, within properties", words.chance(found.within_p)))
    return rows


def _plots(found: Answer, cameras: Cameras, public: bool) -> list[tuple[str, Markup]]:
    drawn: list[tuple[str, Markup]] = []
    if found.classes and found.level != "list":
        shown = plots.rates_plot(found.classes, _expected_rates(found, cameras))
        drawn.append(("Events per 100 camera-days, by class of the score", shown))
    if found.weights:
        labels = [_label(row.name) for row in found.weights]
        shown = plots.weights_plot(found.weights, labels)
        drawn.append(("Times as many records, by criterion", shown))
    if not public and cameras.at_m is not None and found.expected is not None:
        # One more on both sides: a camera of few events must not stand out by chance.
        ratio = (cameras.events + 1) / (found.expected + 1)
        east, north = cameras.at_m.T
        shown = plots.residuals_plot(east, north, ratio)
        drawn.append(("More or fewer events than expected", shown))
    if cameras.land_score is not None and len(cameras.land_score) and len(cameras.score):
        shown = plots.spread_plot(cameras.of_the_place, cameras.land_score)
        drawn.append(("Where the cameras stood, among all open ground", shown))
    return drawn


def _expected_rates(found: Answer, cameras: Cameras) -> list[float]:
    """Rates of the classes if the protocol were right, through the overall rate; 0 = not known."""
    from siting.review.statistics.ranks import class_of

    if not len(cameras.protocol_w) or found.expected is None:
        return [0.0] * len(found.classes)
    part = class_of(cameras.score)
    return [
        float(100 * found.expected[part == k].sum() / cameras.days[part == k].sum())
        for k in range(len(found.classes))
    ]


def _tables(found: Answer, public: bool) -> list[Mapping[str, Any]]:
    tables: list[Mapping[str, Any]] = []
    if found.classes and not (public and min(c.cameras for c in found.classes) < _PUBLIC_CLASS):
        rows = [
            (name, one.cameras, words.rate(one.rate),
             f"{words.rate(one.low)} to {words.rate(one.high)}")
            for name, one in zip(_class_names(len(found.classes)), found.classes, strict=True)
        ]  # fmt: skip
        head = ("Class of the score", "Cameras", "Events per 100 camera-days", "90 % range")
        tables.append({"caption": "Events by class of the score", "head": head, "rows": rows})
    if found.weights:
        columns = ("Criterion", "Protocol", "After the season", "90 % range", "Cameras alone",
                "Share said by the cameras", "Suggested")  # fmt: skip
        tables.append(
            {
                "caption": "Times as many records",
                "head": columns,
                "rows": [_weight_cells(row) for row in found.weights],
            }
        )
    if found.groups:
        tables.append(
            {
                "caption": "Kinds looked at besides: no answer, only what may be worth watching",
                "head": ("Kind", "Events", "Slope on the score", "90 % range", "Said"),
                "rows": [_group_cells(row) for row in found.groups],
            }
        )
    return tables


def _group_cells(row: GroupRow) -> tuple[str, ...]:
    return (
        clean(row.name), f"{row.events:.0f}", f"{row.slope.value:.2f}",
        f"{row.slope.low:.2f} to {row.slope.high:.2f}", words.GROUP_SAID[row.worth_watching],
    )  # fmt: skip


def _blanks(found: Blanks, public: bool) -> Mapping[str, Any]:
    """What blank pictures say, their picture, and the table by heading and month."""
    least = _PUBLIC_CLASS if public else 1
    months = [
        [100 * blanks / days if days and cameras >= least else None
         for cameras, blanks, days in row]
        for row in found.by_month
    ]  # fmt: skip
    shown = [m for m in range(12) if any(row[m] is not None for row in months)]
    whole = rate_by_heading(found)
    rows = [
        (name, *(str(whole[name][0]), words.rate(whole[name][1])),
         *("" if row[m] is None else words.rate(row[m] or 0.0) for m in shown))
        for name, row in zip(DIRECTIONS, months, strict=True)
        if name in whole and whole[name][0] >= least
    ]  # fmt: skip
    return {
        "said": method.blanks(
            found.hour, why=found.why, cameras=found.cameras, growth=found.growth,
            lens=found.lens, skyline=found.skyline, clear=found.clear,
        ),
        "plot": plots.blanks_plot(months, DIRECTIONS),
        "head": ("Facing", "Cameras", "Whole season", *(words.MONTHS[m] for m in shown)),
        "rows": rows,
    }  # fmt: skip


def _class_names(count: int) -> Sequence[str]:
    if count == 3:
        return ("lowest third", "middle third", "highest third")
    return ("lowest fifth", "second", "middle", "fourth", "highest fifth")


def _weight_cells(row: WeightRow) -> tuple[str, ...]:
    return (
        _label(row.name), f"{row.protocol:.2f}", f"{row.shrunken:.2f}",
        f"{row.low:.2f} to {row.high:.2f}", _alone(row.data_only), f"{row.said_by_data:.0%}",
        "stays" if row.proposed is None else f"{row.proposed:.2f}",
    )  # fmt: skip


def _alone(ratio: float) -> str:
    """What the cameras say without the protocol; beyond a factor of 10 they say nothing."""
    return f"{ratio:.2f}" if 0.1 <= ratio <= 10 else "anything"


def _weight(row: WeightRow) -> str:
    return words.weight(
        _label(row.name).capitalize(), protocol=row.protocol, value=row.shrunken, low=row.low,
        high=row.high, proposed=row.proposed,
    )  # fmt: skip


def _method(found: Answer) -> list[str]:
    lines = [*method.METHOD]
    if found.other_models:
        lines.append(method.other_models(found.other_models))
    if found.held_out is not None:
        held = found.held_out
        suggested = (held.fragment, held.se_fragment_protocol) if found.fragment else None
        lines.append(
            method.held_out(
                held.protocol, held.proposed, held.none, held.se_proposed_protocol,
                suggested=suggested,
            )
        )  # fmt: skip
        if held.none > held.proposed:
            lines.append(method.against_none())
    return lines
