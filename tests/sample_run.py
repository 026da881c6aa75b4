"""The sample scored once for all modules that look at it; nobody writes to its arrays."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.types import Result

SAMPLE = Path(__file__).parents[1] / "sample_rasters"


@cache
def sample_result() -> Result:
    """The sample as it is shipped, under the survey's own rules."""
    inputs = load_inputs(SAMPLE / "inputs.toml")
    return site_parcel(inputs, Protocol(), read_parcel(inputs))
