"""Draws the pictures of README.md and travel-and-ranks.md with siting's own functions.

Run `python docs/make_pictures.py`. Needs matplotlib and playwright, which come with the extra
`dev`, and Chromium. Everything drawn is invented.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

import matplotlib as mpl
import numpy as np

mpl.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.colors import ListedColormap
from PIL import Image

from siting.ground.terrain import hillshade, slope_deg
from siting.ground.travel.movement import concentration, current_density, travel_cost
from siting.pipeline import site_parcel
from siting.read.land import read_parcel
from siting.report import write_report
from siting.settings.load import load_inputs
from siting.settings.protocol import Protocol
from siting.types import CoverRole

ROOT = Path(__file__).parents[1]
IMAGES = ROOT / "docs" / "img"
RULES = Protocol().travel
CELL_M = 10.0
N = 121
NORTH, EAST = (np.indices((N, N)) - N // 2) * CELL_M
COLOURS = {
    CoverRole.TREE: "#3c7a3c",
    CoverRole.CROP: "#e3d28c",
    CoverRole.WATER: "#4a78c0",
    CoverRole.BUILT: "#8a4a4a",
}


def ratio_of(dem: np.ndarray, role: np.ndarray) -> np.ndarray:
    costs = {kind: getattr(RULES, f"cost_{kind.name.lower()}") for kind in CoverRole}
    slope = np.nan_to_num(slope_deg(np.pad(dem, 1, mode="edge"), CELL_M)[1:-1, 1:-1])
    cost = travel_cost(slope, role, role_cost=costs, slope_knots=RULES.slope_cost)
    density = current_density(cost, n_directions=RULES.directions)
    return concentration(density, cell_size_m=CELL_M, surroundings_m=RULES.surroundings_m)


def built_lands() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    flat, woods = np.zeros((N, N)), np.full((N, N), int(CoverRole.TREE))
    ridge = 80 * np.exp(-((NORTH / 120) ** 2)) * (1 - 0.7 * np.exp(-((EAST / 120) ** 2)))
    knolls = sum(70 * np.exp(-((EAST - e) ** 2 + NORTH**2) / (2 * 120**2)) for e in (-250, 250))
    bench = np.cumsum(np.where(np.abs(NORTH) < 30, 0.05, 0.5) * CELL_M, axis=0)
    gap = woods.copy()
    gap[np.hypot(EAST + 150, NORTH) < 120] = CoverRole.WATER
    gap[:, N // 2 + 2 : N // 2 + 5] = CoverRole.BUILT
    strip = np.full((N, N), int(CoverRole.CROP))
    strip[:30], strip[-30:], strip[:, N // 2 - 2 : N // 2 + 3] = (CoverRole.TREE,) * 3
    river = woods.copy()
    river[np.abs(NORTH - 0.3 * EAST) < 20] = CoverRole.WATER
    river[np.hypot(EAST, NORTH) < 40] = CoverRole.TREE
    return {
        "saddle in a ridge": (ridge, woods),
        "two knolls": (knolls, woods),
        "bench on a hillside": (bench, woods),
        "pond, and a road beside it": (flat, gap),
        "wooded strip across fields": (flat, strip),
        "river with one ford": (flat, river),
    }


def draw_built_lands() -> None:
    figure, axes = plt.subplots(2, 6, figsize=(11, 4.1), layout="constrained")
    for column, (name, (dem, role)) in enumerate(built_lands().items()):
        land, flow = axes[:, column]
        kinds = sorted(COLOURS)
        shown = np.searchsorted(kinds, role)
        land.imshow(shown, cmap=ListedColormap([COLOURS[k] for k in kinds]), vmin=0, vmax=3)
        if np.ptp(dem) > 0:
            land.contour(dem, levels=np.arange(5, 500, 10), colors="white", linewidths=0.6)
        picture = flow.imshow(ratio_of(dem, role), cmap="viridis", vmin=0.5, vmax=2.2)
        land.set_title(name, fontsize=8)
        for axis in (land, flow):
            axis.set_xticks([])
            axis.set_yticks([])
    bar = figure.colorbar(picture, ax=axes[1], shrink=0.8, pad=0.01)
    bar.set_label("times the flow around", fontsize=8)
    bar.ax.tick_params(labelsize=7)
    save(figure, "travel-built.png", dpi=90)


def draw_sample(result) -> None:
    grid, parcel = result.land.grid, result.land.parcel_shape
    left, bottom, right, top = grid.bounds
    figure, axis = plt.subplots(figsize=(7.2, 6.4), layout="constrained")
    extent = (left, right, bottom, top)
    axis.imshow(hillshade(result.land.dem, grid.cell_size_m), extent=extent, cmap="gray")
    picture = axis.imshow(
        result.layers["funnel_ratio"], extent=extent, cmap="viridis", vmin=0.5, vmax=2.2, alpha=0.7
    )
    axis.plot(*parcel.exterior.xy, color="black", linewidth=1.5)
    for line in result.land.vectors["trails"].geometry:
        axis.plot(*line.xy, color="#5a2d0c", linestyle="--", linewidth=1)
    inside = [f for f in result.features if parcel.contains_properly(_point(f))]
    axis.scatter(
        [f.easting for f in inside], [f.northing for f in inside],
        marker="D", s=16, color="white", edgecolor="black", linewidth=0.7, zorder=3,
    )  # fmt: skip
    for spot in result.spots:
        axis.annotate(
            str(spot.rank), (spot.easting, spot.northing), ha="center", va="center", fontsize=8,
            color="white", bbox={"boxstyle": "circle", "fc": "#1e5941", "ec": "white"}, zorder=4,
        )  # fmt: skip
    west, south, east, north = parcel.bounds
    axis.set(xlim=(west - 60, east + 60), ylim=(south - 60, north + 60), xticks=[], yticks=[])
    bar = figure.colorbar(picture, ax=axis, shrink=0.6, pad=0.01)
    bar.set_label("travel flow, times the flow around", fontsize=8)
    save(figure, "travel-sample.png", dpi=80)


def _point(feature):
    from shapely import Point

    return Point(feature.easting, feature.northing)


def draw_stability(result) -> None:
    colour = {"firm": "#1e5941", "fair": "#6f9f5f", "toss-up": "#d8c46a"}
    figure, axis = plt.subplots(figsize=(7.2, 3.0), layout="constrained")
    for spot in result.spots:
        found = spot.stability
        axis.barh(spot.rank, found.share_among, color=colour[found.word])
        told = f"{found.word}: among the first {found.among} in {found.share_among:.0%}"
        axis.text(min(found.share_among, 0.99) - 0.01, spot.rank, told, va="center", ha="right",
                  fontsize=8, color="white" if found.word == "firm" else "black")  # fmt: skip
    axis.set(xlim=(0, 1), yticks=range(1, len(result.spots) + 1), xlabel="share of the trials")
    axis.set_ylabel("spot")
    axis.invert_yaxis()
    save(figure, "ranks-stability.png", dpi=80)


def draw_map(result, inputs) -> None:
    """The page as the coordinator at a desk and the volunteer on a phone see it."""
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        write_report(result, Path(folder), protocol=Protocol(), inputs=inputs)
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        shots = []
        for width in (1180, 390):
            page = browser.new_page(viewport={"width": width, "height": 760})
            page.goto((Path(folder) / "map.html").as_uri())
            if width < 500:
                page.locator("#spots li button").first.click()
            page.wait_for_timeout(1500)
            shots.append(Image.open(io.BytesIO(page.screenshot())).convert("RGB"))
        browser.close()
    both = Image.new("RGB", (sum(shot.width for shot in shots) + 24, 760), "white")
    both.paste(shots[0], (0, 0))
    both.paste(shots[1], (shots[0].width + 24, 0))
    # Twice brought to the middle of what they stand for: without it paper turned green.
    few = both.quantize(255, method=Image.Quantize.MAXCOVERAGE, kmeans=2)
    few.save(IMAGES / "map.png", optimize=True)


def save(figure, name: str, *, dpi: int) -> None:
    """A small file: 96 colours are enough for these."""
    buffer = io.BytesIO()
    figure.savefig(buffer, dpi=dpi)
    picture = Image.open(buffer).convert("RGB").quantize(96, kmeans=2)
    picture.save(IMAGES / name, optimize=True)
    plt.close(figure)


def main() -> None:
    IMAGES.mkdir(exist_ok=True)
    inputs = load_inputs(ROOT / "sample_rasters" / "inputs.toml")
    result = site_parcel(inputs, Protocol(), read_parcel(inputs))
    draw_built_lands()
    draw_sample(result)
    draw_stability(result)
    draw_map(result, inputs)


if __name__ == "__main__":
    main()
