/**
 * Somebody else saved the attempt in hand: said on the slip, with the way to see it.
 */

import { showConflict } from "./conflict.js";
import { button, el, put } from "./dom.js";

/**
 * @param {HTMLElement} root  the region of the slip
 * @param {any} ctx
 * @param {(revision: number) => void} signOnTop
 */
export function mountNewer(root, ctx, signOnTop) {
  const { store, opener } = ctx;
  const bar = el("div", { class: "slip-newer", role: "status", hidden: true });
  root.append(bar);

  async function compare({ id, revision, by, at }) {
    try {
      const saved = await ctx.api.get(`api/attempts/${encodeURIComponent(id)}`);
      const theirs = { revision: saved.revision ?? revision, by, at, draft: saved.draft, readings: saved.readings };
      showConflict(ctx, theirs, { signOnTop: store.ui.by ? signOnTop : null });
    } catch (error) {
      ctx.notices.say(error.message, "refusal");
    }
  }

  function update() {
    const { newer } = store;
    bar.hidden = !newer;
    if (!newer) {
      put(bar);
      return;
    }
    const way = store.dirty
      ? button("Compare with mine", () => compare(newer))
      : button("Show it", () => opener.openAttempt(newer.id));
    put(bar, el("span", {}, `${newer.by || "Somebody"} saved this attempt as revision ${newer.revision} meanwhile.`), way);
  }

  store.subscribe(update, ["event", "saved", "loaded"]);
  update();
}
