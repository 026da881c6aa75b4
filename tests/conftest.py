"""How many examples each law is tried on: 200, and SITING_EXAMPLES=5000 as every night."""

from __future__ import annotations

import os

from hypothesis import settings

settings.register_profile("siting", max_examples=int(os.environ.get("SITING_EXAMPLES", "200")))
settings.load_profile("siting")
