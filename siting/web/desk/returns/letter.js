// The letter to the owner: made from the survey's templates, edited, copied, sent with the files.

import { byId, node } from "../../shared/dom.js";
import { DATA, download, get, send } from "../api.js";
import { attempt, button, field, say } from "../page.js";
import { renewHead } from "../subject.js";

// `ready`: whether the files name the place that was chosen.
export async function letterPart(desk, uid, ready) {
  const letter = await get(`/api/letter/${uid}`);
  const name = () => (desk.row(uid) || { label: "land" }).label;
  const text = node("textarea", { class: "letter", rows: 12, maxlength: 20000, id: "letter" });
  text.value = letter.text;
  const save = () => send("PUT", `/api/letter/${uid}`, { text: text.value });
  text.addEventListener("change", () => attempt(async () => { await save(); say("The letter is saved."); }));

  const kinds = node("select", {}, letter.kinds.map(([value, words]) => node("option", { value }, words)));
  kinds.value = letter.kind;
  kinds.addEventListener("change", () => attempt(async () => {
    text.value = (await get(`/api/letter/${uid}?kind=${kinds.value}`)).text;
    await save();
    say("A new letter. What you had changed in the old one is gone.");
  }));

  const copy = async () => {
    try {
      await navigator.clipboard.writeText(text.value);
      say("Copied.");
    } catch {
      text.focus();
      text.select();
      say("Marked. Press Ctrl and C to copy it.");
    }
  };
  const sent = (is_sent) => attempt(async () => {
    await send("POST", `/api/letter/${uid}/sent`, { is_sent });
    await desk.reload(uid);
    // In its place, where the hand is: the rest of the page is as it was.
    byId("letter-part").replaceWith(await letterPart(desk, uid, ready));
    renewHead(desk);
    byId("mark-sent").focus({ preventScroll: true });
    say(is_sent ? `Marked as sent. The sign-up is now “${desk.row(uid).status}”.` : "Marked as not sent.");
  });
  const off = ready ? {} : { disabled: "" };
  return node("section", { id: "letter-part" }, node("h3", {}, "Letter"),
    letter.is_chosen ? null : node("p", { class: "caution" },
      "No place is chosen yet: take one in the list, and the letter asks for it."),
    letter.is_old ? node("p", { class: "caution" },
      "This letter was written for another place. Choose which letter it is to have it made anew.") : null,
    field("Which letter", kinds), field("The letter, to change as you like", text),
    node("div", { class: "buttons" },
      button("Copy the letter", copy),
      button("Letter and files as a mail", () => attempt(async () => {
        await save();
        await download(`/api/letter/${uid}/mail`, `${name()}.eml`);
        say(`${name()}.eml is with your downloads. Open it to send it; then press “Mark as sent”.`);
      }), off),
      letter.sent_on ? button("Not sent after all", () => sent(false), { id: "mark-sent" })
        : button("Mark as sent", () => sent(true), { id: "mark-sent", ...off })),
    node("p", { class: "small" }, DATA.words.mail),
    letter.sent_on ? node("p", {}, `Sent on ${letter.sent_on}.`) : null);
}
