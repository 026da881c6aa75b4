// The visit form: what happened at a place, what goes with it, and a button that keeps it.

import { byId, node, section, user } from "../../shared/dom.js";
import { showTab } from "../../shared/tabs.js";
import { locate } from "../../shared/where.js";
import { beginAt } from "../../model/choice.js";
import { STANDING, fits, inOrder, momentText } from "../../model/decisions.js";
import { wrapped } from "../../model/frame.js";
import { DATA } from "../data.js";
import {
  addReport, freeSpots, placeFields, removeReport, reportsOf, round7,
} from "../reports.js";
import { pickOnce } from "../land/pointing.js";

const FORM = DATA.form;

// `place` has lat and lon; a ranked spot also id, n and radius_m. `key` names its reports, `name`
// begins the ids of the form's controls.
export function visitForm(place, { key, name }) {
  const said = node("p", { role: "status", class: "visit-said", id: name + "-said" });
  const rest = node("div", {});
  const states = Object.entries(FORM.states);
  const choice = node("select", { id: name + "-state", onchange: () => {
    said.textContent = "";
    rest.replaceChildren(...(choice.value ? fieldsOf(choice.value) : []));
  } }, node("option", { value: "" }, "Choose what to report"),
  states.map(([state, label]) => node("option", { value: state }, label)));

  function fieldsOf(state) {
    const controls = FORM.asked[state].map((field) => control(field, name, place));
    const save = () => {
      const { record, fault } = gathered(state, controls, place);
      if (fault) {
        said.textContent = fault.words;
        fault.input.setAttribute("aria-invalid", "true");
        fault.input.focus();
        return;
      }
      addReport(record);
      choice.value = "";
      rest.replaceChildren();
      byId(name + "-state").focus();
      // After the report is kept the card is drawn anew, and this form with it.
      byId(name + "-said").replaceChildren(keptWords(state), node("button", { type: "button",
        class: "quiet", onclick: () => showTab("visits", true) }, "Send it"));
    };
    return [...controls.map(({ element }) => element),
      node("button", { type: "button", class: "main-button", id: name + "-save", onclick: save },
        "Keep this report")];
  }
  return section("Report a visit", savedReports(key), nextVisit(key),
    node("label", { for: name + "-state" }, "What happened?"), choice, rest, said);
}

// Where to go on from here stands above the list, out of sight of who has just filled in the form.
function keptWords(state) {
  const left = freeSpots();
  const next = state === "ruled out" && left.length ? beginAt(left, { among: 0, unranked: false }).spot : null;
  return "Kept on this device. " + (next ? "Go to spot " + next.n + " next. " : "");
}

// --- what was reported before -----------------------------------------------------------------

function savedReports(key) {
  const before = inOrder(reportsOf(key));
  if (!before.length) return "";
  return node("ul", { class: "reports" }, before.map((record) => node("li", {},
    ...reportWords(record), " ",
    node("button", { type: "button", class: "quiet", onclick: () => removeReport(record) },
      "Remove", node("span", { class: "unseen" }, " this report")))));
}

// When to come back to a camera that stands, and with what; what to do there is folded.
function nextVisit(key) {
  const last = inOrder(reportsOf(key)).pop();
  if (!last || !STANDING.includes(last.state)) return "";
  const { after_days: days, bring, steps } = FORM.check;
  const due = new Date(Date.parse(last.at.slice(0, 10)) + days * 86400e3).toLocaleDateString("en-GB",
    { day: "numeric", month: "long", year: "numeric", timeZone: "UTC" });
  return node("div", { class: "next-visit" },
    node("p", {}, node("b", {}, "Next check visit: about " + due + "."), " Bring " + bring + "."),
    node("details", { class: "fold" }, node("summary", {}, "What to do there"),
      node("ol", {}, steps.map((step) => node("li", {}, step)))));
}

// "3 April 2027, 10:20: ruled out (People use it). Riders use the ford."
export function reportWords(record) {
  const day = record.at.slice(0, 10), time = record.at.slice(11, 16);
  const reason = record.reason ? " (" + FORM.choices.reason[record.reason] + ")" : "";
  return [day + (time ? " " + time : "") + ": " + record.state + reason + ".",
    record.note ? [" ", user(record.note)] : ""].flat();
}

// --- controls -----------------------------------------------------------------------------------

// A control has an `element` to show, an `input` to go to when it is wrong, and `read()`, which
// gives fields of the record or throws an Error that says what is wrong.
function control(field, name, place) {
  if (field === "position") return positionControl(name, place);
  if (field === "at") return momentControl(name + "-at");
  const rule = FORM.fields[field];
  if (rule.kind === "several") return severalControl(field, name + "-" + field);
  if (rule.kind === "choice") return choiceControl(field, name + "-" + field);
  return valueControl(field, rule, name + "-" + field);
}

function labelled(field, id, input) {
  return node("div", { class: "field" }, node("label", { for: id }, FORM.labels[field]), input);
}

function momentControl(id) {
  const input = node("input", { id, type: "datetime-local", required: true });
  input.value = momentText(new Date()).slice(0, 16);
  const read = () => {
    const date = new Date(input.value);
    if (!input.value || Number.isNaN(date.getTime())) throw new Error("Say when: date and time.");
    return { at: momentText(date) };
  };
  return { element: labelled("at", id, input), input, read };
}

function choiceControl(field, id) {
  const input = node("select", { id }, node("option", { value: "" }, "Choose one"),
    Object.entries(FORM.choices[field]).map(([value, label]) => node("option", { value }, label)));
  const read = () => {
    if (!input.value) throw new Error(FORM.labels[field] + ": choose one.");
    return { [field]: input.value };
  };
  return { element: labelled(field, id, input), input, read };
}

function severalControl(field, id) {
  const boxes = Object.entries(FORM.choices[field]).map(([value, label], i) => {
    const input = node("input", { type: "checkbox", id: id + "-" + i, value });
    return { input, element: node("label", { class: "choice" }, input, label) };
  });
  const element = node("fieldset", {}, node("legend", {}, FORM.labels[field]),
    boxes.map((box) => box.element));
  const read = () => {
    const values = boxes.filter(({ input }) => input.checked).map(({ input }) => input.value);
    return values.length ? { [field]: values } : {};
  };
  return { element, input: boxes[0].input, read };
}

function valueControl(field, rule, id) {
  const isNumber = rule.kind !== "text";
  const input = field === "note" ? node("textarea", { id, rows: 2, maxlength: rule.most })
    : node("input", { id, type: "text", autocomplete: "off", maxlength: isNumber ? 20 : rule.most,
      inputmode: isNumber ? (rule.least < 0 ? "text" : "decimal") : null });
  const read = () => {
    const text = input.value.trim();
    if (!text) return {};
    const value = isNumber ? Number(text.replace(",", ".")) : text;
    if (!fits(value, rule)) throw new Error(wrongNumber(field, rule, text));
    return { [field]: value };
  };
  return { element: labelled(field, id, input), input, read };
}

function wrongNumber(field, { kind, least, most }, text) {
  return FORM.labels[field] + ": “" + text + "” is not a " + (kind === "integer" ? "whole " : "")
    + "number from " + least + " to " + most + ". Correct it, or leave it empty.";
}

// --- where the camera stands --------------------------------------------------------------------

function positionControl(name, place) {
  let source = "", accuracy = null;
  const said = node("p", { class: "small", role: "status" });
  const typed = () => { source = "typed"; accuracy = null; };
  const input = (axis, label) => {
    const id = name + "-" + axis;
    const box = node("input", { id, type: "text", inputmode: "text", autocomplete: "off",
      maxlength: 24, oninput: typed });
    return { box, element: node("div", { class: "field" }, node("label", { for: id }, label), box) };
  };
  const lat = input("lat", "Latitude, degrees"), lon = input("lon", "Longitude, degrees");
  const take = (from, place_, error) => {
    lat.box.value = place_.lat.toFixed(6);
    lon.box.value = wrapped(place_.lon).toFixed(6);
    source = from;
    accuracy = error;
  };
  const phone = () => {
    said.textContent = "Looking for the position. Stand still beside the camera.";
    locate().then((found) => {
      take("phone", found, found.accuracy_m);
      said.textContent = "From this phone, accurate to about " + found.accuracy_m + " m.";
    }, (error) => { said.textContent = error.message; });
  };
  const tap = () => pickOnce((latlng) => {
    take("map", { lat: latlng.lat, lon: latlng.lng }, null);
    said.textContent = "Taken from the map.";
    lat.box.focus();
  });
  const planned = () => {
    take("planned", place, null);
    said.textContent = "The place that this page shows.";
  };
  const element = node("fieldset", {}, node("legend", {}, "Where the camera stands"),
    node("p", { class: "buttons" },
      node("button", { type: "button", id: name + "-phone", onclick: phone }, "From this phone"),
      node("button", { type: "button", id: name + "-map", onclick: tap }, "Tap on the map"),
      node("button", { type: "button", id: name + "-planned", onclick: planned }, "Where this page says")),
    lat.element, lon.element, said);
  const read = () => {
    const texts = [lat.box.value.trim(), lon.box.value.trim()];
    // Nobody who says nothing has said that it is the planned point.
    if (texts.every((text) => text === "")) {
      throw new Error("Say where the camera stands: from this phone, by a tap on the map, or “Right at "
        + "the point”.");
    }
    if (source === "planned") return plannedPosition(place);
    const [y, x] = texts.map((text) => Number(text.replace(",", ".") || NaN));
    if (!(Math.abs(y) <= 90 && Math.abs(x) <= 180)) {
      throw new Error("The position “" + texts.join(", ") + "” is not two numbers in degrees, such "
        + "as 45.12345 and -92.12345. Correct it.");
    }
    return { lat: round7(y), lon: round7(x), position_from: source,
      ...(accuracy === null ? {} : { accuracy_m: accuracy }) };
  };
  return { element, input: lat.box, read };
}

function plannedPosition({ lat, lon, id }) {
  return { lat: round7(lat), lon: round7(wrapped(lon)), position_from: id ? "planned" : "map" };
}

// --- the record -----------------------------------------------------------------------------------

function gathered(state, controls, place) {
  const record = { state, ...placeFields(place), ...plannedPosition(place) };
  for (const { input, read } of controls) {
    input.removeAttribute("aria-invalid");
    try {
      Object.assign(record, read());
    } catch (error) {
      return { fault: { words: error.message, input } };
    }
  }
  if (record.reason === "other" && !record.note) {
    const { input } = controls[controls.length - 1];
    return { fault: { words: "Another reason: say it in the note.", input } };
  }
  return { record };
}
