// What the office keeps about a sign-up; none of it goes to the volunteer.

import { node } from "../shared/dom.js";
import { send } from "./api.js";
import { attempt, field, say } from "./page.js";

const FIELDS = [
  ["label", "Name of the land", 200], ["cell", "Survey cell", 100],
  ["contact_ref", "Your reference for the contact", 200], ["note", "Office note", 2000],
  ["set_aside_why", "Set aside, because (empty: not set aside)", 200],
];

// `changed` is called when something was saved.
export function aboutPart(desk, { uid, row }, changed) {
  const kept = (key, most) => {
    const input = node("input", { value: (row || {})[key] || "", maxlength: most });
    input.addEventListener("change", () => attempt(async () => {
      await send("PATCH", `/api/signups/${uid}`, { [key]: input.value });
      await desk.reload(uid);
      changed();
      say("Saved.");
    }));
    return input;
  };
  return node("details", {}, node("summary", {}, "About this sign-up"),
    FIELDS.map(([key, words, most]) => field(words, kept(key, most))));
}
