/**
 * The stage while there is no clip: it says so, and is the way to one.
 */

import { button, el } from "./dom.js";
import { isCalledOnly } from "./missing_rules.js";

const NO_CLIP = "No clip yet. Drop one on the page, or open one of this event.";
const CALLED_ONLY = "Called only: no clip belongs to this attempt. The watch below times the calls.";

/**
 * @param {HTMLElement} stage
 * @param {any} ctx
 */
export function mountEmptyStage(stage, ctx) {
  const { store } = ctx;
  const words = el("p", {});
  const open = button("Open a clip", () => ctx.panels.open("clips"));
  const box = el("div", { class: "stage-empty", hidden: true }, words, open);
  stage.append(box);

  function update() {
    const isCalled = isCalledOnly(store.draft, store.ui);
    const hadFocus = box.contains(document.activeElement);
    box.hidden = Boolean(store.draft.clip) || Boolean(store.clip);
    open.hidden = isCalled;
    if (hadFocus && (box.hidden || open.hidden)) stage.focus({ preventScroll: true });
    words.textContent = isCalled ? CALLED_ONLY : NO_CLIP;
  }
  store.subscribe(update, ["clip", "loaded", "draft", "ui"]);
  update();
}
