"""Values between cell centres, lines of sight over them, and means in a disc."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from siting.kernels.compiled import compiled


@compiled()
def _bilinear(values: Any, y: float, x: float) -> float:
    """The value between cell centres; NaN outside the outermost ones and beside unknown cells."""
    rows, cols = values.shape
    # A comparison with NaN is false, so that a place that is not known stays so.
    if not (y >= 0.0 and x >= 0.0 and y <= rows - 1 and x <= cols - 1):
        return np.nan
    r, c = int(y), int(x)
    south, east = y - r, x - c
    below, right = min(r + 1, rows - 1), min(c + 1, cols - 1)
    total = np.float64(values[r, c]) * (1.0 - south) * (1.0 - east)
    total += np.float64(values[r, right]) * (1.0 - south) * east
    total += np.float64(values[below, c]) * south * (1.0 - east)
    total += np.float64(values[below, right]) * south * east
    return total


def between_centres(
    values: NDArray[np.float32], row: NDArray[Any], col: NDArray[Any]
) -> NDArray[np.float32]:
    """Values between cell centres by bilinear weights; NaN outside the outermost centres.

    Parameters
    ----------
    values : (rows, cols) float32, NaN = not known (and so is what lies beside it)
    row, col : (n,) float64, counted from the centre of the first cell

    Returns
    -------
    (n,) float32
    """
    out = np.empty(row.size, dtype=np.float32)
    _between_centres(values, row, col, out)
    return out


@compiled("f4[:,::1], f8[::1], f8[::1], f4[::1]")
def _between_centres(values: Any, row: Any, col: Any, out: Any) -> None:
    for k in range(row.size):
        out[k] = _bilinear(values, row[k], col[k])


Ground = tuple[NDArray[np.float32], float, float, float, float]
"""Elevations (rows, cols), then top, left, cell size and highest elevation, all metres.

The highest is infinite where some elevation is not known.
"""


def raise_skyline(
    grounds: Sequence[Ground],
    lens: NDArray[Any],
    radian: NDArray[Any],
    distance_m: NDArray[Any],
    sunk_m: NDArray[Any],
    seen: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]],
) -> None:
    """Follow rays from each lens over some more ground, each to its first gap.

    Parameters
    ----------
    grounds : one or two; the second is asked where the first has no elevation
    lens : (n, 3) easting, northing and elevation, metres
    radian : (n_azimuths,) directions clockwise from grid north
    distance_m, sunk_m : (n_distances,) along the ray, and how far the ground sinks there, metres
    seen : (tangent, reach_m, alive), (n, n_azimuths) each, changed here: the greatest tangent of
        the angle above level, the last known distance, whether the ray goes on
    """
    nothing = (np.empty((0, 0), dtype=np.float32), 1.0, 1.0, 1.0, np.inf)
    (near, *here), (far, *there) = (*grounds, nothing)[:2]
    _raise_skyline(
        np.ascontiguousarray(near), np.array(here), np.ascontiguousarray(far), np.array(there),
        np.ascontiguousarray(lens), np.sin(radian), np.cos(radian), distance_m, sunk_m, *seen,
    )  # fmt: skip


@compiled()
def _height(dem: Any, place: Any, x: float, y: float) -> Any:
    top, left, cell = place[0], place[1], place[2]
    return np.float32(_bilinear(dem, (top - y) / cell - 0.5, (x - left) / cell - 0.5))


@compiled()
def _inside_until(dem: Any, place: Any, lens: Any, east: float, north: float) -> float:
    """How far a ray surely stays between the outermost cell centres; below 0 for not at all."""
    cell = place[2]
    # A thousandth of a cell inside them, so that rounding never decides.
    edge = 0.501 * cell
    west, high = place[1] + edge, place[0] - edge
    right, low = place[1] + dem.shape[1] * cell - edge, place[0] - dem.shape[0] * cell + edge
    if not (west <= lens[0] <= right and low <= lens[1] <= high):
        return -1.0
    until = np.inf
    if east != 0.0:
        until = min(until, ((right if east > 0.0 else west) - lens[0]) / east)
    if north != 0.0:
        until = min(until, ((high if north > 0.0 else low) - lens[1]) / north)
    return until


@compiled(
    "f4[:,::1], f8[::1], f4[:,::1], f8[::1], f8[:,::1],"
    "f8[::1], f8[::1], f8[::1], f8[::1], f4[:,::1], f4[:,::1], b1[:,::1]"
)
def _raise_skyline(
    near: Any,
    here: Any,
    far: Any,
    there: Any,
    lens: Any,
    sine: Any,
    cosine: Any,
    distance_m: Any,
    sunk_m: Any,
    tangent: Any,
    reach_m: Any,
    alive: Any,
) -> None:
    for n in range(tangent.shape[0]):
        for a in range(tangent.shape[1]):
            if not alive[n, a]:
                continue
            in_near = _inside_until(near, here, lens[n], sine[a], cosine[a])
            in_far = _inside_until(far, there, lens[n], sine[a], cosine[a])
            best, last = np.float64(tangent[n, a]), -1
            for d in range(distance_m.size):
                limit = np.inf
                if distance_m[d] <= in_near:
                    limit = here[3]
                elif distance_m[d] <= in_far:
                    limit = max(here[3], there[3])
                # Where even the highest ground would not rise above what was seen nobody looks.
                if (limit - lens[n, 2] - sunk_m[d]) / distance_m[d] > best:
                    x = lens[n, 0] + sine[a] * distance_m[d]
                    y = lens[n, 1] + cosine[a] * distance_m[d]
                    z = _height(near, here, x, y)
                    if not np.isfinite(z):
                        z = _height(far, there, x, y)
                    # Beyond what is not known might stand anything.
                    if not np.isfinite(z):
                        break
                    best = max(best, (np.float64(z) - lens[n, 2] - sunk_m[d]) / distance_m[d])
                last = d
            tangent[n, a] = best
            if last >= 0:
                reach_m[n, a] = distance_m[last]
            alive[n, a] = last == distance_m.size - 1


def hidden_lines(
    dem: NDArray[np.float32],
    start: NDArray[Any],
    end: NDArray[Any],
    z_start: NDArray[Any],
    z_end: NDArray[Any],
    bulge_m: NDArray[Any],
    steps: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Whether the ground stands above each straight line between two points in the air.

    Parameters
    ----------
    dem : (rows, cols) float32, metres, NaN = not known, which hides nothing
    start, end : (n, 2) float64, row and column, counted from the centre of the first cell
    z_start, z_end : (n,) float64, metres
    bulge_m : (n,) float64
        How far the Earth's curve sinks over the length of each line, metres: between its ends
        the ground rises above the chord by t (1 - t) of that.
    steps : (n,) int64
        Samples on each line, in the middle of equal parts.

    Returns
    -------
    (n,) bool
    """
    hidden = np.zeros(steps.size, dtype=np.bool_)
    _hidden_lines(dem, start, end, z_start, z_end, bulge_m, steps, hidden)
    return hidden


@compiled("f4[:,::1], f8[:,::1], f8[:,::1], f4[::1], f4[::1], f8[::1], i8[::1], b1[::1]")
def _hidden_lines(
    dem: Any, start: Any, end: Any, z_start: Any, z_end: Any, bulge_m: Any, steps: Any, hidden: Any
) -> None:
    for k in range(steps.size):
        down, across = end[k, 0] - start[k, 0], end[k, 1] - start[k, 1]
        climb = z_end[k] - z_start[k]
        for i in range(steps[k]):
            # Middles of equal parts: neither end is compared with its own ground.
            t = (i + 0.5) / steps[k]
            ground = _bilinear(dem, start[k, 0] + down * t, start[k, 1] + across * t)
            if ground + bulge_m[k] * (t * (1.0 - t)) > z_start[k] + climb * t:
                hidden[k] = True
                break


def disc_mean(
    top: int, values: NDArray[Any], half_widths: NDArray[np.int64], out: NDArray[np.float32]
) -> None:
    """Mean of the known values in the disc around each cell; NaN where the cell's own is NaN.

    A disc is a stack of row segments; the sum over each is a difference of two running sums along
    its row, so the cost grows with the radius and not with its square.

    Parameters
    ----------
    top : the first row to fill; as many are filled as `out` has
    values : (rows, cols) float, NaN = not known
    half_widths : (2 * reach + 1,) cells on each side of the middle, row by row of the disc
    out : (n, cols) float32, filled here
    """
    kept, cols = half_widths.size, values.shape[1]
    # Running sums of the rows the disc covers now, row k in place k modulo their number.
    sums, counts = np.zeros((kept, cols + 1)), np.zeros((kept, cols + 1), dtype=np.int32)
    _disc_mean(
        top, values, half_widths, sums, counts, np.empty(cols), np.empty(cols, np.int32), out
    )


@compiled("i8, f4[:,::1], i8[::1], f8[:,::1], i4[:,::1], f8[::1], i4[::1], f4[:,::1]")
def _disc_mean(
    top: int,
    values: Any,
    half_widths: Any,
    sums: Any,
    counts: Any,
    total: Any,
    count: Any,
    out: Any,
) -> None:
    rows, cols = values.shape
    kept = half_widths.size
    reach = kept // 2
    ready = max(top - reach, 0)
    for line in range(out.shape[0]):
        row = top + line
        while ready < rows and ready <= row + reach:
            place, run, number = ready % kept, 0.0, 0
            for col in range(cols):
                value = values[ready, col]
                if not np.isnan(value):
                    run += value
                    number += 1
                sums[place, col + 1] = run
                counts[place, col + 1] = number
            ready += 1
        for col in range(cols):
            total[col] = 0.0
            count[col] = 0
        for k in range(kept):
            there = row + k - reach
            if there < 0 or there >= rows:
                continue
            # Three loops in place of one: only the cells near the sides need their limits looked
            # at.
            half, place = half_widths[k], there % kept
            for col in range(min(half, cols)):
                right = min(col + half + 1, cols)
                total[col] += sums[place, right]
                count[col] += counts[place, right]
            for col in range(half, cols - half):
                total[col] += sums[place, col + half + 1] - sums[place, col - half]
                count[col] += counts[place, col + half + 1] - counts[place, col - half]
            for col in range(max(half, cols - half), cols):
                total[col] += sums[place, cols] - sums[place, col - half]
                count[col] += counts[place, cols] - counts[place, col - half]
        for col in range(cols):
            known = not np.isnan(values[row, col])
            out[line, col] = total[col] / count[col] if known else np.nan
