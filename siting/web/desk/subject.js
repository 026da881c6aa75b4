// The head of one sign-up's views: its status, and the way from its land to its places and letter.

import { byId, node } from "../shared/dom.js";
import { button, whenFree } from "./page.js";

const now = { uid: "", open: "" };

// The row is that of the last run that has ended: of a new list it says what was true before.
function statusWords(desk, row) {
  if (!row) return "";
  return desk.fresh === row.uid ? "Files being written" : row.status;
}

function head(desk) {
  const { uid, open } = now;
  const row = desk.row(uid);
  // Before there is a list there is nothing to look at or to send.
  const none = !row || !(row.has_places || desk.fresh === uid);
  const step = (name, words, act, isOff) => button(words, act,
    { id: `to-${name}`, "aria-current": open === name && "page", disabled: Boolean(isOff) });
  return node("div", { id: "subject" },
    node("nav", { class: "steps", "aria-label": "This sign-up" },
      step("land", "Land", () => desk.open(uid)),
      step("places", "Places", () => desk.places(uid), none),
      step("letter", "Letter and files", () => desk.letter(uid), none)),
    node("span", { class: "status", id: "status" }, statusWords(desk, row)));
}

export function subjectHead(desk, uid, open) {
  Object.assign(now, { uid, open });
  return head(desk);
}

// After something was saved or scored; the hand stays on the button it is on.
export function renewHead(desk) {
  whenFree("head", () => renewed(desk));
}

function renewed(desk) {
  const old = byId("subject");
  if (!old) return;
  const focused = old.contains(document.activeElement) ? document.activeElement.id : "";
  old.replaceWith(head(desk));
  if (focused && byId(focused)) byId(focused).focus({ preventScroll: true });
}
