// The head of the page, and the start.

import { byId } from "../shared/dom.js";
import { setUpPrint } from "../shared/print.js";
import { setUpTabs } from "../shared/tabs.js";
import { setUpTheme } from "../shared/theme.js";
import { copyShown } from "./card.js";
import { COL, COUNT, DATA, STATE, announce } from "./data.js";
import { drawKey } from "./key.js";
import { MAP, drawMap, showAll } from "./map.js";
import { drawCells } from "./survey.js";
import { drawFilters, drawHeads, drawRows, ordered, wanted } from "./table.js";

function drawHeadFacts() {
  const failed = COL.code.filter(Boolean).length;
  const spots = COL.index.filter((index) => index !== null).length;
  const cells = DATA.cells.filter((cell) => cell.parcel).length;
  const parts = [`${COUNT} parcels`, `${spots} with at least one spot`];
  if (DATA.cells.length) parts.push(`cameras proposed for ${cells} of ${DATA.cells.length} survey cells`);
  if (failed) parts.push(`${failed} could not be scored`);
  byId("head-facts").textContent = parts.join(" · ");
}

document.querySelectorAll('input[name="by"]').forEach((input) => {
  input.addEventListener("change", () => {
    STATE.by = input.value;
    announce("by");
  });
});
byId("print-button").addEventListener("click", () => window.print());
byId("copy-all").addEventListener("click", copyShown);
setUpTheme();
setUpTabs("list");
if (window.innerWidth >= 700) document.querySelector("details.key").open = true;
drawHeadFacts();
drawFilters();
drawHeads();
STATE.shown = ordered(wanted());
drawMap();
setUpPrint(MAP, { show: showAll });
drawKey();
drawRows();
drawCells();
document.documentElement.dataset.drawn = "yes";
document.documentElement.dataset.ready = "yes";
