/**
 * Stepping and running by mouse and touch: the same actions as the keys, at the head of the strip.
 */

import { button, el } from "./dom.js";

/** Visible words, action, and what it does in full. */
const WAYS = [
  ["10 back", "step-back-ten", "ten frames back"],
  ["back", "step-back", "one frame back"],
  ["run", "run", "at true speed"],
  ["slow", "run-slow", "run slower: 1/2, 1/4, 1/10"],
  ["next", "step-next", "one frame on"],
  ["10 on", "step-next-ten", "ten frames on"],
];

/**
 * @param {HTMLElement} strip the region `#strip`
 * @param {any} ctx
 */
export function mount(strip, ctx) {
  const { actions, clock, store } = ctx;
  const buttons = new Map(
    WAYS.map(([words, action, what]) => [
      action,
      button(words, () => actions.run(action), { "aria-label": `${words}: ${what}`, title: what, data: { step: action } }),
    ]),
  );
  const group = el("div", { class: "steps", role: "group", "aria-label": "Step and run" }, ...buttons.values());
  const run = buttons.get("run");
  const slow = buttons.get("run-slow");

  function showRunning() {
    const words = clock.playing ? "stop" : "run";
    if (run.textContent === words) return;
    run.textContent = words;
    run.setAttribute("aria-label", clock.playing ? "stop" : "run: at true speed");
    slow.setAttribute("aria-pressed", String(clock.playing && clock.rate < 1));
  }

  const showClip = () => {
    group.hidden = !store.clip;
  };
  (strip.querySelector(".strip-head") ?? strip).prepend(group);
  clock.subscribe(showRunning);
  store.subscribe(showClip, ["clip", "loaded"]);
  showRunning();
  showClip();
}
