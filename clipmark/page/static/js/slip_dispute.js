/**
 * On the slip: that the attempt is disputed, and how it was ruled; the way to the panel of it.
 */

import { button, el, put } from "./dom.js";
import { disputeStamp, disputeWords } from "./dispute_words.js";

/** @param {any} ctx @returns {{node: HTMLElement, update: () => void}} */
export function slipDispute(ctx) {
  const { store, api, panels } = ctx;
  const node = el("div", { class: "slip-dispute", hidden: true });
  let asked = ""; // the attempt and revision that were asked for last

  async function look() {
    const id = store.draft.attempt;
    const mine = `${id} ${store.revision}`;
    asked = mine;
    if (!id) {
      node.hidden = true;
      return;
    }
    let item = null;
    try {
      const { protests } = await api.get(`api/attempts/${encodeURIComponent(id)}/claims`);
      item = protests.at(-1) ?? null;
    } catch {
      // said where the list of attempts is opened; the slip goes without
    }
    if (asked !== mine) return;
    node.hidden = item === null; // the slip of an undisputed attempt keeps its height
    const shown = item && { claim: item.claim, protested_by: item.by, ruling: item.ruling };
    const words = shown ? disputeWords(shown) : null;
    put(
      node,
      shown ? disputeStamp(shown) : null,
      words && button("See the dispute", () => panels.open("dispute", { id }), {
        class: "plain small",
        title: words?.whole,
        "aria-haspopup": "dialog",
      }),
    );
  }

  store.subscribe(look, ["loaded", "saved", "disputed"]);
  return { node, update: () => {} };
}
