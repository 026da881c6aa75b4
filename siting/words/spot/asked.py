"""The sentence about the spot that is asked for: proposed, chosen, or with a camera already."""

from __future__ import annotations

from siting.decisions.proposal import Proposal
from siting.types import Spot


def asked_for(proposal: Proposal | None, spot: Spot) -> tuple[str, ...]:
    """What the card says first about this spot; nothing where it is not the one asked for."""
    if proposal is None or not spot.place_id or proposal.place_id != spot.place_id:
        return ()
    return (proposal_sentence(proposal, spot.rank),)


def proposal_sentence(proposal: Proposal, rank: int) -> str:
    """One sentence: which spot is asked for, by whom and why.

    Examples
    --------
    >>> proposal_sentence(Proposal("P01-7KQ3", 3, "proposed", "it is the best place we know"), 3)
    'The survey proposes spot 3 for you, because it is the best place we know.'
    """
    because = f", because {proposal.reason}" if proposal.reason else ""
    if proposal.state == "camera up":
        return f"A camera stands at spot {rank}."
    if proposal.state == "chosen":
        return f"Spot {rank} was chosen for the camera."
    return f"The survey proposes spot {rank} for you{because}."
