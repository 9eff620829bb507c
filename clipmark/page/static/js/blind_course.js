// Stepping and running through the run: buttons, and a bar over all frames that are shown.

import { button, el, put } from "./dom.js";
import { fixed } from "./numbers.js";
import * as steps from "./steps.js";

/** @param {HTMLElement} root the region `#course` @param {any} ctx */
export function mount(root, ctx) {
  const { clock, store } = ctx;
  const bar = /** @type {HTMLInputElement} */ (
    el("input", {
      type: "range", min: 0, max: 0, step: 1, class: "course-bar", "aria-label": "Frame",
      on: { input: () => clock.goto(Number(bar.value)) },
    })
  );
  const at = el("output", { class: "course-at figures" });
  const mark = el("span", { class: "course-mark", hidden: true, title: "Frame to be marked" });
  const track = el("div", { class: "course-track" }, bar, mark);
  const back = button("to mark", () => ctx.actions.run("visit-marks"), {
    class: "course-back", title: "Back to the frame to be marked", "aria-label": "Back to the frame to be marked",
  });
  put(root, track, at, back);
  steps.mount(track, ctx);

  function show() {
    const { ordinal, count } = clock;
    root.hidden = count === 0;
    bar.max = String(Math.max(0, count - 1));
    if (bar.value !== String(ordinal)) bar.value = String(ordinal);
    const t_s = clock.tOf(ordinal);
    const words = `frame ${ordinal} of ${Math.max(0, count - 1)}${t_s === null ? "" : `, ${fixed(t_s, 3)} s`}`;
    if (at.textContent !== words) put(at, words);
    bar.setAttribute("aria-valuetext", words);
    const frame = store.draft.marks.frame ?? 0;
    back.disabled = ordinal === frame;
    mark.hidden = count < 2;
    mark.style.setProperty("--at", String(count < 2 ? 0 : frame / (count - 1)));
  }
  clock.subscribe(show);
  store.subscribe(show, ["clip", "loaded"]);
  show();
}
