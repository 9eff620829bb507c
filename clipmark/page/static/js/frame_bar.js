// The line at the foot of the stage: what is to be placed next; and, when the marks are on another
// frame than the one shown, the way there or the way to bring them here.

import { button, el, put } from "./dom.js";
import { frameOf, kindOf } from "./mark_kinds.js";
import { whyNotMove, whyNotPlace } from "./may_mark.js";

/** @param {any} ctx @returns {HTMLElement} */
export function frameBar(ctx) {
  const { store, clock, actions, edit, view } = ctx;
  const text = el("span", { class: "mark-bar-text", role: "status" });
  const go = button("", () => actions.run("visit-marks"));
  const bring = button("Bring the marks here", () => actions.run("bring-marks"));
  const drop = button("Let go", () => actions.run("let-go"));
  const bar = el("div", { class: "mark-bar", hidden: true }, text, go, bring, drop);
  let due = 0;

  function update() {
    due = 0;
    const { tool, hand } = store.ui;
    const id = tool ?? hand?.mark ?? null;
    bar.hidden = true;
    if (id === null || !store.clip?.facts) return;
    const frame = frameOf(store.draft.marks, id);
    const why = tool ? whyNotPlace(ctx, tool) : whyNotMove(ctx, hand.mark);
    const elsewhere = why !== null && view.exactHere && frame !== null && frame !== clock.ordinal;
    go.hidden = !elsewhere;
    bring.hidden = !elsewhere || Boolean(ctx.fixedFrame);
    go.textContent = `Go to frame ${frame}`;
    if (!tool && !elsewhere) return; // what is in hand is said beside the pixel window
    bar.hidden = false;
    const sentence = elsewhere ? `The marks are on frame ${frame}.` : hintOf(tool, edit.placing);
    if (text.textContent !== sentence) put(text, sentence);
  }

  const later = () => {
    due ||= requestAnimationFrame(update);
  };
  store.subscribe(later, ["ui", "marks", "loaded", "clip"]);
  clock.subscribe(later);
  view.subscribe((what) => what === "painted" && later());
  return bar;
}

function hintOf(tool, placing) {
  const kind = kindOf(tool);
  return placing.points.length ? `Now ${placing.next}.` : kind.hint;
}
