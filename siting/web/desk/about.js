// What the office keeps about a sign-up; none of it goes to the volunteer.

import { readPlace } from "../model/shapes.js";
import { node } from "../shared/dom.js";
import { send } from "./api.js";
import { attempt, field, say } from "./page.js";

const FIELDS = [
  ["label", "Name of the land", 200], ["cell", "Survey cell", 100],
  ["contact_ref", "Your reference for the contact", 200], ["note", "Office note", 2000],
  ["set_aside_why", "Set aside, because (empty: not set aside)", 200],
];

// Until there is an outline the place given with the sign-up says where it is.
function placeField({ lat, lon }, save) {
  const input = node("input", { value: lat === null ? "" : `${lat}, ${lon}`, autocomplete: "off" });
  input.addEventListener("change", () => attempt(async () => {
    const place = readPlace(input.value);
    if (!place) throw new Error("The position was not understood. Write latitude, then longitude: 44.12345, -70.12345");
    await save({ lat: place[0], lon: place[1] });
  }));
  return field("Position: latitude, longitude", input);
}

// `changed` is called when something was saved, `moved` when the place was.
export function aboutPart(desk, { uid, row }, changed, moved) {
  const save = async (values) => {
    await send("PATCH", `/api/signups/${uid}`, values);
    await desk.reload(uid);
    changed();
    say("Saved.");
  };
  const kept = (key, most) => {
    const input = node("input", { value: (row || {})[key] || "", maxlength: most });
    input.addEventListener("change", () => attempt(() => save({ [key]: input.value })));
    return input;
  };
  return node("details", {}, node("summary", {}, "About this sign-up"),
    FIELDS.map(([key, words, most]) => field(words, kept(key, most))),
    row && row.status === "No outline yet" ? placeField(row, (place) => save(place).then(moved)) : null);
}
