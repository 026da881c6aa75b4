"""axe-core on a page: the rules of WCAG 2.0 to 2.2, A and AA, and its best practices."""

from __future__ import annotations

from typing import Any

import pytest

TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
# The rules that colours can break; all others find the same in light, dark and forced colours.
COLOURS = ("color-contrast", "link-in-text-block")
# What passed is counted and not described, and what did not is shown as its own text: to write down
# the path of every element takes longer than the rules do.
# A colour is looked at where it comes to rest, not on its way there.
RUN = """async (only) => {
  for (let frame = 0; frame < 2; frame += 1) await new Promise(requestAnimationFrame);
  const moves = document.getAnimations().filter((one) =>
    Number.isFinite(one.effect.getComputedTiming().endTime) && one.playState === "running");
  await Promise.all(moves.map((one) => one.finished.catch(() => 0)));
  const found = await axe.run(document,
    { runOnly: only, resultTypes: ["violations"], selectors: false });
  if (!found.passes.length) throw new Error("axe looked at nothing");
  return found.violations.map((one) =>
    [one.id, one.nodes.slice(0, 3).map((node) => node.html.slice(0, 120))]); }"""


def axe_faults(page: Any, *, colours_alone: bool = False) -> list[list[Any]]:
    """Each rule that the page breaks as it is now shown, with up to three elements that do.

    `colours_alone` is for a look that differs from another one, of the same size, by colours.
    """
    axe = pytest.importorskip("axe_playwright_python.base", reason="axe is not installed")
    if page.evaluate("typeof axe") == "undefined":
        page.evaluate(axe.AXE_SCRIPT)
    only = ("rule", COLOURS) if colours_alone else ("tag", TAGS)
    return page.evaluate(RUN, {"type": only[0], "values": list(only[1])})
