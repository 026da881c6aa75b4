// What came back: dropped files, each beside the sign-up it is about, taken in or left; what is due.

import { byId, node, user } from "../../shared/dom.js";
import { DATA, download, get, send, sendFile } from "../api.js";
import { attempt, button, fault, field, say, seen, titled } from "../page.js";

const NEW = "new";
const KEEP = [["theirs", "Take the sketch's"], ["both", "Keep both"], ["ours", "Keep what is there"]];
const ANSWERS = { none: "none", unknown: "not known" };

export function backView(desk) {
  const view = {};
  const asked = new Map();
  const chosen = new Map();

  // --- choosing ----------------------------------------------------------------------------------

  function picker(item, part, signup, withNew) {
    const known = desk.rows().map((row) => [row.uid, row.cell ? `${row.label} · ${row.cell}` : row.label]);
    const list = [["", "Choose a sign-up"], ...(withNew ? [[NEW, "A new sign-up"]] : []), ...known];
    const select = node("select", {}, list.map(([value, words]) => node("option", { value }, user(words))));
    select.value = signup;
    select.addEventListener("change", () => attempt(async () => {
      const mine = { ...(asked.get(item.uid) || {}), [part]: select.value };
      asked.set(item.uid, mine);
      const looked = await seen(send("POST", `/api/back/${item.uid}/look`, { signups: mine }));
      byId(`back-${item.uid}`).replaceWith(card(looked));
      byId(`back-${item.uid}`).querySelector("select").focus();
    }));
    return field("Sign-up", select);
  }

  function found(item) {
    if (item.kind !== "visits") return { "": item.signup };
    return Object.fromEntries(item.parts.map((part) => [part.parcel, part.signup]));
  }

  const accept = (item) => attempt(async () => {
    const signups = found(item);
    if (Object.values(signups).some((uid) => !uid)) throw new Error("Choose the sign-up first.");
    const { signups: uids } = await seen(send("POST", `/api/back/${item.uid}/accept`,
      { signups, layers: chosen.get(item.uid) || {} }));
    await seen(desk.reload());
    await view.show();
    const row = uids.length === 1 ? desk.row(uids[0]) : null;
    say(row ? `Taken in: ${row.label} is now “${row.status}”.` : `Taken in: ${uids.length} sign-ups.`);
  });

  const leave = (item) => attempt(async () => {
    await seen(send("POST", `/api/back/${item.uid}/leave`, {}));
    await view.show();
    say("Not taken in. Drop the file again if you want it after all.");
  });

  // --- one file ----------------------------------------------------------------------------------

  function card(item) {
    const body = { visits, sketch, shapes }[item.kind](item);
    return node("li", { id: `back-${item.uid}` }, node("h3", {}, user(item.name)), body,
      node("div", { class: "buttons" },
        button(item.kind === "shapes" ? "Take these outlines" : "Take it in", () => accept(item), { class: "main" }),
        button("Do not take it", () => leave(item))));
  }

  const doubts = ({ signup, how, doubt, caution }) => [
    how ? node("p", { class: signup ? "small" : "caution" }, how) : null,
    doubt ? node("p", { class: "caution" }, doubt) : null,
    caution ? node("p", { class: "caution" }, caution) : null,
  ];

  function visits(item) {
    return item.parts.map((part) => node("section", {},
      item.parts.length > 1 ? node("h4", {}, user(part.parcel || "No name")) : null,
      picker(item, part.parcel, part.signup, false), doubts(part),
      part.after ? node("p", {}, `Until now: ${part.before}. With this file: `,
        node("strong", {}, part.after), ".") : null,
      part.early ? node("p", { class: "caution" }, part.early) : null,
      part.signup && !part.is_new && !part.caution
        ? node("p", { class: "caution" }, "All of it is known already.") : null,
      node("ul", { class: "records" }, part.records.map((record) => node("li", {},
        record.is ? node("span", { class: "status" }, record.is === "new" ? "New" : "Known") : null,
        " ", user(record.title),
        node("span", { class: "fact" }, user(record.facts.map((fact) => fact.replace(/\.$/, "")).join(" · "))))))));
  }

  // In the words of the land itself: an outline is drawn, all else is asked about.
  function counted({ layer }, count, answer) {
    if (layer === "parcel") return count ? "drawn" : "not drawn yet";
    return count ? `${count} marked` : ANSWERS[answer] || "not asked";
  }

  function sketch(item) {
    const mine = chosen.get(item.uid) || {};
    chosen.set(item.uid, mine);
    const rows = item.layers.map((layer) => {
      const select = node("select", { "aria-label": layer.title },
        KEEP.map(([value, words]) => node("option", { value }, words)));
      // What nobody drew here before is taken; what is there is not replaced unseen.
      mine[layer.layer] = mine[layer.layer] || (layer.ours && layer.layer !== "parcel" ? "both" : "theirs");
      select.value = mine[layer.layer];
      select.addEventListener("change", () => { mine[layer.layer] = select.value; });
      return node("li", {}, node("strong", {}, layer.title), ": ",
        layer.same ? "the same as here" : `${counted(layer, layer.theirs, layer.their_answer)} in the sketch, `
          + `${counted(layer, layer.ours, layer.our_answer)} here`,
        layer.same || (!layer.ours && !layer.our_answer) ? null : select);
    });
    return [picker(item, "", item.signup, true), doubts(item),
      item.said_by ? node("p", {}, "Drawn by ", user(item.said_by), ".") : null,
      item.note ? node("p", {}, "Note: ", user(item.note)) : null,
      node("ul", { class: "records" }, rows),
      node("div", { class: "buttons" }, button("Show it on the map", () => desk.preview(item.shapes)))];
  }

  function shapes(item) {
    const areas = item.shapes.filter((shape) => shape.layer === "parcel");
    return [node("p", {}, areas.length === 1 ? "An outline of land, not a visit."
      : `${areas.length} outlines of land. As new sign-ups, each becomes one.`),
    picker(item, "", item.signup || "", true), doubts(item),
    node("div", { class: "buttons" }, button("Show it on the map", () => desk.preview(item.shapes)))];
  }

  // --- the view ------------------------------------------------------------------------------------

  function dropPart() {
    const input = node("input", { type: "file", multiple: "multiple", id: "back-files" });
    input.addEventListener("change", () => { if (input.files.length) view.dropped([...input.files]); });
    return field("Drop files anywhere on this page, or choose them: visits, sketches, outlines", input);
  }

  function duePart(due) {
    const today = new Date().toISOString().slice(0, 10);
    if (!due.length) return [node("p", {}, "No camera is up yet. One appears here "
      + "when you take in the file in which a volunteer reports it.")];
    return [node("ul", { class: "shapes" }, due.map((row) => node("li", {},
      button(user(row.parcel_id), () => desk.places(row.signup), { class: "shape-name" }),
      node("span", { class: row.due < today ? "fact wrong" : "fact" },
        row.due < today ? `Check was due on ${row.due}` : `Check due on ${row.due}`, `, ${row.why}`),
      row.early ? node("span", { class: "fact wrong" }, row.early) : null))),
    node("div", { class: "buttons" }, button("All deployments as a data package",
      () => attempt(() => download("/api/package", "deployments.zip")))),
    node("p", { class: "small" }, DATA.words.package)];
  }

  // A file that was taken in by mistake; it can be dropped again.
  function takenPart(taken) {
    if (!taken.length) return null;
    const giveBack = ({ uid, name }) => attempt(async () => {
      const { stays } = await seen(send("POST", `/api/back/${uid}/give-back`, {}));
      await view.show();
      const more = stays ? "What was drawn or changed since then stays." : "Drop it again to look at it once more.";
      say(`${name} no longer counts. ${more}`);
    });
    return node("details", {}, node("summary", {}, "Files you took in"),
      node("ul", { class: "shapes" }, taken.map((row) => node("li", {},
        node("span", {}, user(row.name), row.label ? [" · ", user(row.label)] : null, ` · ${row.day}`),
        button(["Undo ", user(row.name)], () => giveBack(row))))));
  }

  return Object.assign(view, {
    async show() {
      await attempt(async () => {
        await seen(desk.reload());
        const { items, due, taken } = await seen(get("/api/back"));
        titled("Came back", dropPart(),
          node("p", { class: "small" }, items.length ? "Nothing below counts until you take it in."
            : "Nothing is waiting. Drop what volunteers sent back; you see what it changes before it counts."),
          node("ul", { class: "places", id: "waiting" }, items.map(card)),
          node("h3", {}, "Cameras and their next check"), duePart(due), takenPart(taken));
      });
    },
    // One after the other: a file that cannot be read is named and does not stop the rest.
    async dropped(files) {
      const said = [];
      const faults = [];
      for (const file of files) {
        say(`Reading ${file.name} …`);
        try {
          const { again } = await sendFile(file, "/api/back");
          if (again) said.push(`${file.name}: ${again}`);
        } catch (error) {
          faults.push(`${file.name}: ${error.message}`);
        }
      }
      await view.show();
      const read = files.length - faults.length;
      say(said.length ? said.join(" ") : `${read} ${read === 1 ? "file" : "files"} read.`);
      if (faults.length) fault(new Error(faults.join(" ")));
    },
    hide() { desk.preview([]); },
  });
}
