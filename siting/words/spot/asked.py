"""The sentence about the spot that is asked for: proposed, chosen, or with a camera already."""

from __future__ import annotations

from siting.decisions.proposal import CAMERA_UP, CHOSEN, PROPOSED, Proposal
from siting.types import Spot


def asked_for(proposal: Proposal | None, spot: Spot) -> tuple[str, ...]:
    """What the card says first about this spot; nothing where it is not the one asked for."""
    # By the place's name and never by its rank, which may be another in this run.
    if proposal is None or not spot.place_id or proposal.place_id != spot.place_id:
        return ()
    return (proposal_sentence(proposal, spot.rank),)


def proposal_sentence(proposal: Proposal, rank: int | None) -> str:
    """One sentence: which place is asked for, by whom and why.

    Examples
    --------
    >>> proposal_sentence(Proposal("P01-7KQ3", 3, "proposed", "animals cross the stream there"), 3)
    'The survey proposes spot 3 for you, because animals cross the stream there.'
    >>> camera = Proposal("P01-M2XD", None, "camera up", lon=-92.1, lat=45.12)
    >>> proposal_sentence(camera, None)
    'A camera stands at 45.12000, -92.10000 (latitude, longitude), at none of the spots below.'
    >>> drawn = Proposal("P01-random-woods-1", None, "proposed", drawn="woods 1")
    >>> proposal_sentence(drawn, None)
    'The survey asks you for a camera at a place drawn at random, woods 1 (W1 on the map).'
    """
    because = f", because {proposal.reason}" if proposal.reason else ""
    place = f"spot {rank}" if rank is not None else _off_the_list(proposal)
    if proposal.drawn and proposal.state == PROPOSED:
        return f"The survey asks you for a camera at {place}{because}."
    if proposal.state == CAMERA_UP:
        return f"A camera stands at {place}."
    if proposal.state == CHOSEN:
        return f"The camera is to go to {place}."
    return f"The survey proposes {place} for you{because}."


def _off_the_list(proposal: Proposal) -> str:
    """A place that is no spot of this run, by where it is."""
    if proposal.drawn:
        sign = f"{proposal.drawn[:1].upper()}{proposal.drawn.rpartition(' ')[2]}"
        return f"a place drawn at random, {proposal.drawn} ({sign} on the map)"
    if proposal.lat is None or proposal.lon is None:
        return "a place that is none of the spots below"
    where = f"{proposal.lat:.5f}, {proposal.lon:.5f} (latitude, longitude)"
    return f"{where}, at none of the spots below"
