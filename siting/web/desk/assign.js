// One camera for each survey cell: what is proposed, why, and taking it.

import { node, user } from "../shared/dom.js";
import { get, send } from "./api.js";
import { attempt, button, say, titled } from "./page.js";

export function assignView(desk) {
  const view = {};

  const take = (cell) => send("POST", `/api/decision/${cell.signup}`,
    { run: cell.run, rank: cell.spot, kind: "accepted", why: "", reason: "" });

  const takeAll = (cells) => attempt(async () => {
    // One after the other: each is a decision of its own, and the first that fails is named.
    for (const cell of cells) await take(cell);
    await view.show();
    say(`${cells.length} taken. The files are made for them now.`);
  });

  function item(cell) {
    const open = () => desk.places(cell.signup);
    return node("li", { class: cell.decided ? "taken" : "" },
      node("h3", {}, "Cell ", user(cell.cell), cell.decided ? node("span", { class: "status" }, "Decided") : null),
      node("p", {}, user(cell.reason)),
      cell.traded ? node("p", { class: "small" }, user(cell.traded)) : null,
      cell.reserves.length
        ? node("p", { class: "small" }, "Next in line: ", user(cell.reserves.join(", ")), ".") : null,
      cell.signup ? node("div", { class: "buttons" },
        button(cell.decided ? "Open" : "Look at it", open),
        cell.decided ? null : button(`Take spot ${cell.spot}`, () => takeAll([cell]))) : null);
  }

  return Object.assign(view, {
    async show() {
      await attempt(async () => {
        titled("Cameras for the cells", node("p", { role: "status" }, "Choosing …"));
        await desk.reload();
        let cells = [];
        try {
          ({ cells } = await get("/api/assign"));
        } catch (error) {
          titled("Cameras for the cells");
          throw error;
        }
        const free = cells.filter((cell) => cell.signup && !cell.decided);
        titled("Cameras for the cells",
          node("p", {}, "One camera for each cell, kept apart from those of the cells around it. ",
            "Only sign-ups with a survey cell that were scored take part."),
          free.length > 1 ? node("div", { class: "buttons" },
            button(`Take all ${free.length}`, () => takeAll(free), { class: "main" })) : null,
          node("ul", { class: "places" }, cells.map(item)));
      });
    },
    hide() {},
  });
}
