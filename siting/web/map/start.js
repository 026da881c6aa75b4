// The start of it all.

import { byId } from "../shared/dom.js";
import { setUpPrint } from "../shared/print.js";
import { setUpTabs } from "../shared/tabs.js";
import { setUpTheme } from "../shared/theme.js";
import { loadCells } from "./data.js";
import { setUpColours } from "./land/colours.js";
import { addDrawnSigns } from "./land/drawn.js";
import { setUpHere } from "./land/here.js";
import { setUpLand } from "./land/layers.js";
import { MAP, showParcel } from "./land/map.js";
import { addMarkers } from "./land/markers.js";
import { scheduleNames, tidyNames } from "./land/names.js";
import { setUpPointing } from "./land/pointing.js";
import { ask, setUpAsking } from "./panel/ask.js";
import { buildDrawn, openDrawn } from "./panel/drawn.js";
import { fillHead, setUpAnswer } from "./panel/guide.js";
import { buildKey } from "./panel/key.js";
import { buildList, openSpot } from "./panel/list.js";
import { setUpVisits } from "./panel/visits.js";
import { buildWeights } from "./panel/weights.js";

// A cross and a frame on the map help those who steer it by keys, and only them.
function watchInput() {
  const root = document.documentElement;
  document.addEventListener("keydown", () => { root.dataset.input = "keys"; }, true);
  document.addEventListener("pointerdown", () => { root.dataset.input = "pointer"; }, true);
}

// On paper the map shows the whole parcel, and the cautions are unfolded.
function setUpPaper() {
  let opened = [];
  setUpPrint(MAP, {
    prepare() {
      opened = [...document.querySelectorAll(".fold:not([open])")];
      opened.forEach((fold) => { fold.open = true; });
    },
    show() {
      showParcel();
      tidyNames();
    },
    restore() {
      opened.forEach((fold) => { fold.open = false; });
    },
  });
  byId("print-button").addEventListener("click", () => window.print());
}

watchInput();
setUpTheme();
setUpTabs("spots");
setUpAnswer();
setUpLand();
setUpColours();
const pick = setUpPointing({ ask, openSpot, openDrawn });
addDrawnSigns((place) => pick(place, openDrawn));
addMarkers((spot) => pick(spot, ({ n }) => openSpot(n)));
buildList();
buildDrawn();
setUpVisits();
setUpHere();
setUpAsking();
buildWeights();
buildKey();
setUpPaper();
fillHead();
scheduleNames();
document.documentElement.setAttribute("data-drawn", "yes");
loadCells().then(() => document.documentElement.setAttribute("data-ready", "yes"));
