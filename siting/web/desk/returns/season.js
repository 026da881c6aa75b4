// Last season: a data package is reviewed, and its answer stands beside the sign-ups.

import { byId, node, user } from "../../shared/dom.js";
import { get, send, sendFile } from "../api.js";
import { attempt, button, field, say, seen, titled } from "../page.js";

export function seasonView(desk) {
  const view = {};

  const begin = (file) => attempt(async () => {
    await seen(sendFile(file, "/api/season"));
    await view.show();
  });

  function dropPart() {
    const input = node("input", { type: "file", id: "season-file" });
    input.addEventListener("change", () => { if (input.files.length) begin(input.files[0]); });
    return field("Last season's data package (a zip, or a table of place, start, end and counts)", input);
  }

  function working() {
    return [node("p", {}, "Looking at last season. Each camera's place is scored as you would score it today."),
      node("progress", { "aria-label": "Last season" }),
      node("div", { class: "buttons" },
        button("Cancel", () => attempt(async () => {
          await seen(send("POST", "/api/season/cancel", {}));
          await view.show();
        })))];
  }

  function line(row) {
    const days = Math.round(row.camera_days);
    const rate = days ? `, ${((100 * row.events) / days).toFixed(1)} in 100 days` : "";
    const words = `${row.cameras} ${row.cameras === 1 ? "camera" : "cameras"}, ${days} days, `
      + `${Math.round(row.events)} visits of animals recorded${rate}`;
    const name = row.parcel_id || "On no sign-up";
    return node("li", {}, row.signup ? button(user(name), () => desk.open(row.signup), { class: "shape-name" })
      : node("strong", {}, user(name)), " ", node("span", { class: "fact" }, words));
  }

  function answer(said) {
    return [node("p", { class: "answer" }, user(said.headline)),
      node("p", { class: "small" }, "From ", user(said.package), "."),
      node("div", { class: "buttons" }, node("a", { class: "as-button", target: "_blank", rel: "noopener",
        href: "/result/season/review.html" }, "Open the whole review")),
      node("h3", {}, "What was recorded"), node("ul", { class: "shapes" }, said.rows.map(line))];
  }

  return Object.assign(view, {
    async show() {
      await attempt(async () => {
        await seen(desk.reload());
        const said = await seen(get("/api/season"));
        titled("Last season",
          said.state === "working" ? working() : dropPart(),
          said.state === "failed" ? node("p", { class: "caution" }, user(said.words)) : null,
          said.state === "cancelled" ? node("p", {}, "Cancelled.") : null,
          said.headline ? answer(said) : node("p", {},
            "Did higher scores record more animals? Drop the data package of a season that is over."));
      });
    },
    dropped: ([file]) => begin(file),
    event(state) {
      if (byId("title").textContent === "Last season") view.show();
      else if (state.state === "done") say("Last season's answer is there.");
    },
    hide() {},
  });
}
