// Saving what is drawn: of one land one save at a time. What is drawn meanwhile is saved by the next
// one, also where another view is open by then.

import { send } from "../api.js";

const going = new Map();

// Once nothing of this land is on its way any more.
export const settled = (uid) => going.get(uid) || Promise.resolve();

// `rev`: the state that the drawing began from; `saved` and `failed` are called after each save.
export function saving(uid, rev, saved, failed) {
  let next = null;
  const saver = { uid, rev };

  async function run() {
    while (next) {
      const content = next;
      next = null;
      try {
        const answer = await send("PUT", `/api/land/${uid}`, { rev: saver.rev, ...content });
        saver.rev = answer.rev;
        await saved(saver);
      } catch (error) {
        failed(error, saver);
      }
    }
    going.delete(uid);
  }

  saver.save = (content) => {
    next = content;
    if (!going.has(uid)) going.set(uid, run());
  };
  return saver;
}
