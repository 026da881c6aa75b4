"""Ratios by comparing criteria two by two, where a protocol holds such tables."""

from __future__ import annotations

import math
from typing import Any

from siting.errors import SitingError
from siting.settings.protocol import Protocol
from siting.settings.protocol_score import Rule
from siting.settings.ratios.weights import PairwiseWeights, pairwise_weights


def compared_weights(protocol: Protocol) -> dict[str, PairwiseWeights]:
    """Weights by pairwise comparison of "attractors" and "conditions", where the protocol has any.

    Raises
    ------
    SitingError
        E-WEIGHTS-01 or E-WEIGHTS-02 for a table that cannot be used.
    """
    found: dict[str, PairwiseWeights] = {}
    for group in ("attractors", "conditions"):
        table = getattr(protocol.pairwise, group)
        if not table.criteria and not table.matrix:
            continue
        known = type(getattr(protocol, group)).model_fields
        # A misspelt name would leave its criterion at the default without a word.
        strange = [name for name in table.criteria if name not in known]
        if strange:
            raise SitingError(
                "E-WEIGHTS-01",
                f"pairwise.{group}.criteria names {', '.join(strange)}.",
                rule=f"The {group} are {', '.join(known)}.",
                cure="Write the names exactly as in the protocol.",
            )
        found[group] = pairwise_weights(
            table.criteria, table.matrix, allow_inconsistent=table.allow_inconsistent
        )
    return found


def with_compared_weights(protocol: Protocol) -> Protocol:
    """The protocol with the ratios that its pairwise comparisons come to.

    The comparison shares out the logarithm: twice as important is twice the weight, and the most
    important criterion has the ratio `largest`.
    """
    changed: dict[str, Any] = {}
    for group, found in compared_weights(protocol).items():
        section, top = getattr(protocol, group), max(found.weights.values())
        # The comparison gives shares of importance; how much the largest is worth it cannot say.
        largest = math.log(getattr(protocol.pairwise, group).largest)
        rules = {
            name: _with_ratio(getattr(section, name), math.exp(largest * weight / top))
            for name, weight in found.weights.items()
        }
        changed[group] = section.model_copy(update=rules)
    return protocol.model_copy(update=changed) if changed else protocol


def _with_ratio(rule: Rule, ratio: float) -> Rule:
    """The rule with another ratio, its interval as wide as before."""
    # How unsure it is does not change by who chose the number.
    moved = ratio / rule.ratio
    return rule.model_copy(
        update={"ratio": ratio, "low": rule.low * moved, "high": rule.high * moved}
    )
