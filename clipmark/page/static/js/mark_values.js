// What is known of a mark beside where it is: filled in while the mark is in hand or being placed.

import { button, el, freshId, put } from "./dom.js";
import { kindOf, SHEET_SIZES } from "./mark_kinds.js";
import { numberOf } from "./plain.js";

/** @typedef {{field: string, label: string, unit: string, at?: number, least?: number}} Value */

const LEVEL_U = { field: "level_u", label: "good to (u)", unit: "°" };
/** @type {Record<string, Value[]>} */
const VALUES = {
  level: [LEVEL_U],
  plumb: [LEVEL_U],
  hubs: [{ field: "rim_px", label: "rim radius", unit: "px" }],
  sheet: [
    { field: "sheet_size", at: 0, label: "side 1", unit: "mm" },
    { field: "sheet_size", at: 1, label: "side 2", unit: "mm" },
    { field: "sheet_u_mm", label: "good to (u)", unit: "mm" },
  ],
  scale: [{ field: "scale_mm", label: "length", unit: "mm" }],
  wheel: [{ field: "wheel_mm", label: "diameter", unit: "mm" }],
};

/**
 * A row of the legend's list that goes under the kind in hand.
 * @param {any} ctx @returns {{node: HTMLElement, update: () => void}}
 */
export function markValues(ctx) {
  const { store } = ctx;
  const group = el("div", { class: "mark-values", role: "group" });
  const node = el("li", { class: "mark-values-row", hidden: true }, group);
  let shown = null;
  let fields = [];

  const set = (field, value) =>
    store.change(field.replaceAll("_", " "), ({ marks }) => {
      marks[field] = value;
    });

  function build(name) {
    fields = VALUES[name].map((value) => valueField(store, value, set));
    const sizes = name === "sheet" && el("div", { class: "mark-sizes" },
      SHEET_SIZES.map(({ label, size }) => button(label, () => set("sheet_size", size))));
    group.setAttribute("aria-label", `Sizes of the ${kindOf(name).label}`);
    put(group, sizes, fields.map((one) => one.node));
    document.querySelector(`.legend-row[data-kind="${name}"]`)?.after(node);
  }

  /** Only the legend scrolls for it: the page, and so the frame, stays where it is. */
  function show() {
    const legend = node.closest("#legend");
    const over = group.getBoundingClientRect().bottom - legend.getBoundingClientRect().bottom;
    if (over > 0) legend.scrollTop += over;
  }

  function update() {
    const { tool, hand } = store.ui;
    const id = tool ?? hand?.mark;
    const name = id && VALUES[kindOf(id).name] ? kindOf(id).name : null;
    const fresh = name !== shown;
    if (fresh) {
      shown = name;
      node.hidden = name === null;
      if (name) build(name);
    }
    for (const one of fields) one.update();
    if (fresh && name) show();
  }
  return { node, update };
}

function valueField(store, { field, label, unit, at }, set) {
  const id = freshId("mark-value");
  const kept = () => {
    const value = store.draft.marks[field] ?? null;
    return at === undefined ? value : (value?.[at] ?? null);
  };
  const input = /** @type {HTMLInputElement} */ (
    el("input", { id, inputmode: "decimal", size: 5, autocomplete: "off", data: { value: field }, on: { change: commit } })
  );

  function commit() {
    const number = input.value.trim() === "" ? null : numberOf(input.value);
    const bad = number !== null && !(number > 0 && Number.isFinite(number));
    input.removeAttribute("aria-invalid");
    if (bad) {
      input.setAttribute("aria-invalid", "true");
      input.title = "A number above 0.";
      return;
    }
    input.title = "";
    if (at === undefined) set(field, number);
    else if (number !== null) {
      const pair = [...(store.draft.marks[field] ?? [number, number])];
      pair[at] = number;
      set(field, pair);
    }
  }

  function update() {
    if (document.activeElement === input) return; // being typed
    const value = kept();
    input.value = value === null ? "" : String(value);
    input.removeAttribute("aria-invalid");
  }
  return { input, update, node: el("p", { class: "mark-value" }, el("label", { for: id }, `${label}, ${unit}`), input) };
}
