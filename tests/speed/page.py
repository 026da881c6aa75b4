"""The map page of the sample in Chromium whose processor is slowed four times.

    python -m tests.speed.page MAP.html

One JSON line: first paint and the list, milliseconds from the start of loading; the longest and the
median move of a slider until the next picture is drawn; the file's size.
"""

from __future__ import annotations

import json
import statistics
import sys
from pathlib import Path
from typing import Any

CHROMIUM = "/usr/bin/chromium"
SLOWED = 4
PAINT = """() => new Promise((done) => {
  const seen = performance.getEntriesByName("first-contentful-paint");
  if (seen.length) done(seen[0].startTime);
  else new PerformanceObserver((list) => list.getEntriesByName("first-contentful-paint")
    .forEach((entry) => done(entry.startTime))).observe({ type: "paint", buffered: true });
})"""
# From the event to the frame in which its work is done: handlers, style, layout and drawing.
MOVE = """([id, value]) => new Promise((done) => {
  const slider = document.getElementById(id), begin = performance.now();
  slider.value = value;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
  const handled = performance.now() - begin;
  requestAnimationFrame(() => setTimeout(() => done([handled, performance.now() - begin])));
})"""


def opened(browser: Any, page_file: Path) -> dict[str, Any]:
    page = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    page.context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    page.goto(page_file.resolve().as_uri())
    paint_ms = page.evaluate(PAINT)
    page.wait_for_function("document.querySelectorAll('#weight-sliders input').length > 0")
    ready_ms = page.evaluate("performance.timing.domContentLoadedEventEnd - "
                             "performance.timing.navigationStart")  # fmt: skip
    names = page.eval_on_selector_all("#weight-sliders input", "all => all.map(one => one.id)")
    moves = [page.evaluate(MOVE, [name, value]) for name in names[:4] for value in (60, 140, 100)]
    page.context.close()
    return {"paint_ms": paint_ms, "ready_ms": ready_ms, "moves_ms": moves}


def measure(page_file: Path, times: int = 5) -> dict[str, float]:
    """Of several openings the quickest: other work on the machine only ever adds."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        found = [opened(browser, page_file) for _ in range(times)]
        browser.close()
    # Per move the least of the openings, so that one disturbance does not count.
    least = [[min(f["moves_ms"][k][part] for f in found) for part in (0, 1)]
             for k in range(len(found[0]["moves_ms"]))]  # fmt: skip
    return {
        "paint_ms": min(f["paint_ms"] for f in found),
        "ready_ms": min(f["ready_ms"] for f in found),
        "handled_ms": max(handled for handled, _ in least),
        "move_ms": statistics.median(drawn for _, drawn in least),
        "longest_move_ms": max(drawn for _, drawn in least),
        "size_mb": page_file.stat().st_size / 1e6,
    }


if __name__ == "__main__":
    print("RESULT", json.dumps(measure(Path(sys.argv[1]))))
