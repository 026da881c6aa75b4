"""The examples of docs/python.md run, and draw what the page shows."""

from __future__ import annotations

import importlib.util
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

ROOT = Path(__file__).parents[1]
SPEC = importlib.util.spec_from_file_location("make_gallery", ROOT / "docs" / "make_gallery.py")


@pytest.mark.slow
@pytest.mark.usefixtures("land_once")
def test_the_examples_run_and_draw():
    make_gallery = importlib.util.module_from_spec(SPEC)
    SPEC.loader.exec_module(make_gallery)
    drawn = dict(make_gallery.pictures())
    assert len(drawn) == 5
    for name, data in drawn.items():
        picture = np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=float)
        stored = Image.open(ROOT / "docs" / name)
        assert picture.shape == (stored.height, stored.width), f"{name}: {make_gallery.__doc__}"
        # An empty frame has one or two greys.
        assert picture.std() > 15, name
