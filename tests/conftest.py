"""How many examples each law is tried on: 200, and SITING_EXAMPLES=5000 as every night."""

from __future__ import annotations

import os

from hypothesis import settings

# CI draws the same examples every time, so that it fails for a change and not by chance; everybody
# else draws new ones.
settings.register_profile(
    "siting",
    max_examples=int(os.environ.get("SITING_EXAMPLES", "200")),
    derandomize="SITING_CI" in os.environ,
)
settings.load_profile("siting")
