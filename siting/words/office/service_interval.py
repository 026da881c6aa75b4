"""When to come back: days to a full card and to flat batteries, with the sums in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

from siting.settings.protocol_field import VisitRules


@dataclass(frozen=True)
class VisitPlan:
    """How long a camera lasts on a busy spot, and when to look at it.

    Parameters
    ----------
    pictures_per_day : pictures a camera takes per day
    card_pictures : pictures that fit on the card
    days_to_full_card, days_to_flat_battery : days from set-up
    check_after_days : int, days
        The usual time, or earlier where the card or the batteries would not last it.
    sums : plain sentences that show how each number came about
    """

    pictures_per_day: float
    card_pictures: float
    days_to_full_card: float
    days_to_flat_battery: float
    check_after_days: int
    sums: tuple[str, ...]


def visit_plan(rules: VisitRules) -> VisitPlan:
    """Days until the card is full and the batteries are flat, from the protocol's numbers.

    Batteries run down by taking pictures and by waiting for them, both at once, so the two rates
    add up.

    Parameters
    ----------
    rules : VisitRules

    Examples
    --------
    >>> plan = visit_plan(VisitRules())
    >>> round(plan.days_to_full_card), round(plan.days_to_flat_battery), plan.check_after_days
    (27, 13, 13)
    """
    per_day = rules.triggers_per_day * rules.pictures_per_trigger
    # 1 GB is 1000 MB on a card; counted as 1024 the card would be full before its day.
    card_pictures = rules.card_gb * 1000.0 / rules.picture_mb
    full = card_pictures / per_day
    by_pictures = rules.battery_pictures / per_day
    # Rates add up, days do not: each use drains what the other leaves.
    flat = 1.0 / (1.0 / by_pictures + 1.0 / rules.battery_days)
    # Down to the whole day: a day too late costs pictures, a day too early only a walk.
    check = max(1, math.floor(min(rules.first_check_days, full, flat)))
    pictures = (
        f"Pictures a day: {rules.triggers_per_day:g} triggers × {rules.pictures_per_trigger:g} "
        f"pictures = {per_day:,.0f}."
    )
    card = (
        f"Card full: {rules.card_gb:g} GB ÷ {rules.picture_mb:g} MB = {card_pictures:,.0f} "
        f"pictures; ÷ {per_day:,.0f} a day = about {_days(full)}."
    )
    batteries = (
        f"Batteries flat: {rules.battery_pictures:,.0f} pictures ÷ {per_day:,.0f} a day = "
        f"{_days(by_pictures)}; waiting alone {_days(rules.battery_days)}; "
        f"both together about {_days(flat)}."
    )
    sums = (pictures, card, batteries)
    return VisitPlan(per_day, card_pictures, full, flat, check, sums)


def _days(days: float) -> str:
    count = f"{days:,.0f}" if days >= 2 else f"{days:.1f}"
    return f"{count} day" if count == "1.0" else f"{count} days"
