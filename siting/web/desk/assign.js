// One camera for each survey cell: what is proposed, why, and taking it.

import { node, user } from "../shared/dom.js";
import { DATA, get, send } from "./api.js";
import { Left, attempt, button, field, say, seen, titled } from "./page.js";

const SHARES = [["0", "None"], ["0.1", "One in ten"], ["0.2", "One in five"], ["0.5", "Every second one"]];

export function assignView(desk) {
  const view = {};
  let share = "";

  const take = (cell) => send("POST", `/api/decision/${cell.signup}`,
    { run: cell.run, why: "", reason: "",
      ...(cell.random ? { rank: 0, kind: "random" } : { rank: cell.spot, kind: "accepted" }) });

  // How many of the cameras chance places; the choice is made anew at once.
  function shareField() {
    // The protocol may ask for another share than those offered here.
    const shares = SHARES.some(([value]) => value === share) ? SHARES : [...SHARES, [share, `A share of ${share}`]];
    const select = node("select", { onchange: () => { share = select.value; view.show(); } },
      shares.map(([value, words]) => node("option", { value, ...(value === share ? { selected: "" } : {}) }, words)));
    return [field("Cameras at a place drawn at random", select), node("p", { class: "small" }, DATA.words.random)];
  }

  const takeAll = (cells) => attempt(async () => {
    // One after the other: each is a decision of its own, and the first that fails is named.
    const all = async () => { for (const cell of cells) await take(cell); };
    await seen(all());
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
        cell.decided ? null : button(cell.random ? "Take the random place" : `Take spot ${cell.spot}`,
          () => takeAll([cell]))) : null);
  }

  return Object.assign(view, {
    async show() {
      await attempt(async () => {
        titled("Cameras for the cells", node("p", { role: "status" }, "Choosing …"));
        await seen(desk.reload());
        let cells = [];
        try {
          const found = await seen(get(`/api/assign?random=${share}`));
          ({ cells } = found);
          share = String(found.random_share);
        } catch (error) {
          if (!(error instanceof Left)) titled("Cameras for the cells");
          throw error;
        }
        const free = cells.filter((cell) => cell.signup && !cell.decided);
        titled("Cameras for the cells",
          node("p", {}, "One camera for each cell, kept apart from those of the cells around it. ",
            "Only sign-ups with a survey cell that were scored take part."),
          shareField(),
          free.length > 1 ? node("div", { class: "buttons" },
            button(`Take all ${free.length}`, () => takeAll(free), { class: "main" })) : null,
          node("ul", { class: "places" }, cells.map(item)));
      });
    },
    hide() {},
  });
}
