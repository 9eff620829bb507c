/**
 * The handles "from" and "to" on the strip: dragged, or moved by arrows when focused.
 */

import { el } from "./dom.js";
import { seconds } from "./numbers.js";
import { spanWith } from "./span_cells.js";

/**
 * @param {any} ctx
 * @param {{scale: any, places: any, model: any, frame: HTMLElement}} strip
 * @returns {{node: HTMLElement, update: () => void}}
 */
export function mountHandles(ctx, strip) {
  const { store, clock } = ctx;
  const handles = ["from", "to"].map((end, index) => {
    const node = el(
      "div",
      {
        class: `strip-handle strip-handle-${end}`,
        role: "slider",
        tabindex: "0",
        "aria-label": end === "from" ? "From: first frame of the attempt" : "To: last frame of the attempt",
        "aria-valuemin": "0",
      },
      el("span", { class: "strip-handle-tag", "aria-hidden": "true" }, end),
    );
    node.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      event.stopPropagation();
      node.focus();
      node.setPointerCapture(event.pointerId);
    });
    node.addEventListener("pointermove", (event) => {
      if (node.hasPointerCapture(event.pointerId)) {
        const x = event.clientX - strip.frame.getBoundingClientRect().left;
        move(end, index, strip.places.frameAt(strip.scale.value(x)));
      }
    });
    node.addEventListener("pointerup", () => store.settle());
    node.addEventListener("pointercancel", () => store.settle());
    node.addEventListener("keydown", (event) => onKey(event, end, index));
    return node;
  });

  /** Move an end, as long as two frames are left; the picture follows it. */
  function move(end, index, frame) {
    const last = strip.model.frames - 1;
    const span = store.draft.marks.span;
    if (!span || last < 1) {
      return; // undone while it was dragged
    }
    const bounded = end === "from" ? Math.min(Math.max(0, frame), span[1] - 1) : Math.max(Math.min(last, frame), span[0] + 1);
    const made = spanWith(span, end, bounded, last);
    if (made) {
      store.changing(`${end} frame`, (draft) => {
        draft.marks.span = made;
      });
      clock.goto(bounded);
    }
  }

  function onKey(event, end, index) {
    const steps = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 };
    const span = store.draft.marks.span;
    if (!span || !(event.key in steps) || event.ctrlKey || event.altKey || event.shiftKey) {
      return;
    }
    event.preventDefault();
    move(end, index, span[index] + steps[event.key]);
    store.settle();
  }

  function update() {
    const span = store.draft.marks.span ?? null;
    handles.forEach((node, index) => {
      const x = span && strip.model.frames > 0 ? strip.scale.x(strip.places.ofFrame(span[index])) : NaN;
      const out = x < strip.scale.left - 1 || x > strip.scale.left + strip.scale.width + 1;
      node.hidden = !Number.isFinite(x) || out;
      if (node.hidden) {
        return;
      }
      node.style.transform = `translateX(${x}px)`;
      node.setAttribute("aria-valuemax", String(strip.model.frames - 1));
      node.setAttribute("aria-valuenow", String(span[index]));
      node.setAttribute("aria-valuetext", `frame ${span[index]}, ${seconds(clock.tOf(span[index]))}`);
    });
  }
  return { node: el("div", { class: "strip-handles" }, handles), update };
}
