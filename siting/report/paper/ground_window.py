"""A piece of ground and the paper it is drawn on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Window:
    """A piece of ground and the paper it is drawn on.

    `left` and `top` are metres in the grid's coordinate system, `mm_per_m` is the scale. `key`
    tells this drawing's patterns from those of other drawings on the same page.
    """

    left: float
    top: float
    width_mm: float
    height_mm: float
    mm_per_m: float
    key: str

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) in metres."""
        right = self.left + self.width_mm / self.mm_per_m
        return (self.left, self.top - self.height_mm / self.mm_per_m, right, self.top)

    def at(self, easting: float, northing: float) -> tuple[float, float]:
        """Millimetres (mm) right of and below the upper left corner, of a place in metres."""
        return (easting - self.left) * self.mm_per_m, (self.top - northing) * self.mm_per_m


def window_around(
    bounds: Sequence[float], *, width_mm: float, height_mm: float, key: str
) -> Window:
    """The window that shows `bounds` (W, S, E, N, metres) as large as the paper (mm) allows."""
    left, bottom, right, top = bounds
    scale = min(width_mm / max(right - left, 1.0), height_mm / max(top - bottom, 1.0))
    middle_x, middle_y = (left + right) / 2, (bottom + top) / 2
    return Window(
        left=middle_x - width_mm / scale / 2,
        top=middle_y + height_mm / scale / 2,
        width_mm=width_mm,
        height_mm=height_mm,
        mm_per_m=scale,
        key=key,
    )
