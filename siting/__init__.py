"""Find, rank and explain good places for a survey's motion-triggered still camera."""

from __future__ import annotations

__version__ = "0.1.0"
