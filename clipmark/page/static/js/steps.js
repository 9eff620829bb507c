/**
 * Stepping and running by mouse and touch: the same actions as the keys. Upright they stand at the
 * head of the strip; lying, that line is short and belongs to the numbers, so they stand on top.
 */

import { button, el } from "./dom.js";

const UPRIGHT = "(max-width: 1000px), (orientation: portrait)"; // as in css/layout.css

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
 * @param {HTMLElement} top where they stand when there is room on top; given as what follows them
 * @param {any} ctx
 */
export function mount(top, ctx) {
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
  const upright = matchMedia(UPRIGHT);
  const place = () => {
    const head = upright.matches ? document.querySelector("#strip .strip-head") : null;
    if (head) head.prepend(group);
    else top.before(group);
  };
  upright.addEventListener("change", place);
  place();
  clock.subscribe(showRunning);
  store.subscribe(showClip, ["clip", "loaded"]);
  showRunning();
  showClip();
}
