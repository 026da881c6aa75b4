// What was reported, all together: badges, places of one's own, and the ways to hand it back.

import { byId, node } from "../../shared/dom.js";
import { copyAndSay, saveFile } from "../../shared/save.js";
import { inOrder, placeOf } from "../../model/decisions.js";
import { DATA, listen } from "../data.js";
import {
  BADGES, allReports, drawnPlace, forgetReports, proposedSpot, reportsCsv, reportsJson, placeOffList, spotState,
  storeState,
} from "../reports.js";
import { setBadge, showOwnPlaces } from "../land/markers.js";
import { reportWords, visitForm } from "./form.js";

const FILE = "decisions_" + DATA.parcel.id.replace(/[^A-Za-z0-9_-]+/g, "_").slice(0, 60);

export function setUpVisits() {
  byId("visits-json").addEventListener("click", () =>
    save(FILE + ".json", "application/json", reportsJson()));
  byId("visits-csv").addEventListener("click", () => save(FILE + ".csv", "text/csv", reportsCsv()));
  byId("visits-copy").addEventListener("click", () =>
    copyAndSay(reportsJson(), byId("visits-said")));
  byId("visits-forget").addEventListener("click", () => {
    const count = allReports().length, all = count === 1 ? "the one report" : "all " + count + " reports";
    if (window.confirm("Delete " + all + " of this parcel from this device? What you have not sent is lost.")) {
      forgetReports();
    }
  });
  setUpSharing();
  listen("reports", showVisits);
  listen("weights", showBadges);
  showVisits();
}

// The phone's own share sheet, where there is one that takes files.
function setUpSharing() {
  const file = () => new File([reportsJson()], FILE + ".json", { type: "application/json" });
  const button = byId("visits-share");
  const can = Boolean(navigator.canShare && navigator.share);
  button.hidden = !can;
  button.addEventListener("click", () => {
    const files = [file()];
    const what = navigator.canShare({ files }) ? { files } : { title: FILE, text: reportsJson() };
    navigator.share(what).then(() => { byId("visits-said").textContent = "Shared."; }, (error) => {
      if (error.name === "AbortError") return;
      byId("visits-said").textContent = "Sharing did not work: save the file, or copy the text.";
    });
  });
}

// Where nothing can be saved the text is there to be copied.
function save(name, type, text) {
  const saved = saveFile(name, type, text);
  byId("visits-said").textContent = saved
    ? "Saved as " + name + ". Attach it to a message to your coordinator." : "";
  if (!saved) byId("visits-plain").open = true;
}

function showBadges() {
  DATA.spots.forEach((spot) => {
    const state = spotState(spot) || (spot === proposedSpot() ? "proposed" : "");
    const badge = BADGES[state] || "", out = state === "ruled out";
    setBadge(spot.n, badge, out);
    const dot = byId("row-" + spot.n).querySelector(".dot");
    dot.classList.toggle("ruled-out", out);
    dot.replaceChildren(String(spot.n), node("span", { class: "badge" }, badge));
  });
}

function showVisits() {
  showBadges();
  const all = inOrder(allReports());
  byId("visits-list").replaceChildren(...all.map((record) => node("li", {},
    placeName(record), ", ", ...reportWords(record))));
  byId("visits-none").hidden = all.length > 0;
  byId("visits-apart").hidden = !all.length && storeState() !== "damaged";
  byId("visits-text").value = reportsJson();
  byId("visits-kept").textContent = keptWords();
  showOwn(ownPlaces(all));
}

function placeName(record) {
  const drawn = drawnPlace(record.location);
  return record.spot ? "Spot " + record.spot
    : drawn ? "Place drawn at random " + drawn.sign : "Your own place";
}

const LISTED = [...DATA.spots, ...DATA.drawn].map(({ id }) => id);

// Places that are on no list, each once, with its first point; and lists of an earlier run.
function ownPlaces(all) {
  const places = new Map(), asked = placeOffList();
  if (asked && !drawnPlace(asked.id)) places.set(asked.id, asked);
  all.filter(({ location }) => !LISTED.includes(location)).forEach((record) => {
    const place = { id: record.location, lat: record.planned_lat ?? record.lat,
      lon: record.planned_lon ?? record.lon };
    if (!places.has(placeOf(record))) places.set(placeOf(record), place);
  });
  return places;
}

function showOwn(places) {
  const open = [...byId("visits-own").querySelectorAll("details[open]")].map((one) => one.dataset.key);
  const forms = [...places].map(([key, place], i) => node("details", { class: "fold",
    "data-key": key, open: open.includes(key) },
    node("summary", {}, "Your own place at " + place.lat.toFixed(5) + ", " + place.lon.toFixed(5)),
    visitForm(place, { key, name: "own-" + (i + 1) })));
  byId("visits-own").replaceChildren(...forms);
  showOwnPlaces([...places.values()]);
}

function keptWords() {
  const where = "Reports stay in this browser on this device only. Save or share them, and "
    + "send them to your coordinator.";
  return { kept: where,
    "not kept": "This browser keeps nothing: send your reports before you close the page.",
    damaged: "Part of what this browser had kept for the page was damaged and was left out: check "
      + "your reports. " + where }[storeState()];
}
