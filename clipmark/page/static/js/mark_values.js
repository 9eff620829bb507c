// What is known of a mark beside where it is: filled in while the mark is in hand or being placed.

import { button, el, freshId, put } from "./dom.js";
import { onToTheFrame } from "./form_parts.js";
import { BOUNDS, kindOf, SHEET_SIZES } from "./mark_kinds.js";
import { numberOf } from "./plain.js";

/** @typedef {{field: string, label: string, unit: string, at?: number, least: number, most: number}} Value */

const LEVEL_U = { field: "level_u", label: "good to (u)", unit: "°", ...BOUNDS.level_u };
/** @type {Record<string, Value[]>} */
const VALUES = {
  level: [LEVEL_U],
  plumb: [LEVEL_U],
  hubs: [{ field: "rim_px", label: "rim radius", unit: "px", least: 0.1, most: 1e5 }],
  sheet: [
    { field: "sheet_size", at: 0, label: "side 1", unit: "mm", ...BOUNDS.length_mm },
    { field: "sheet_size", at: 1, label: "side 2", unit: "mm", ...BOUNDS.length_mm },
    { field: "sheet_u_mm", label: "good to (u)", unit: "mm", ...BOUNDS.sheet_u_mm },
  ],
  scale: [{ field: "scale_mm", label: "length", unit: "mm", ...BOUNDS.length_mm }],
  wheel: [{ field: "wheel_mm", label: "diameter", unit: "mm", ...BOUNDS.length_mm }],
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
    fields = VALUES[name].map((value) => valueField(ctx, name, value, set));
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
      for (const one of fields) one.drop();
      fields = [];
      node.hidden = name === null;
      if (name) build(name);
    }
    for (const one of fields) one.update();
    if (fresh && name) show();
  }
  return { node, update };
}

function valueField({ store, view }, mark, { field, label, unit, at, least, most }, set) {
  const id = freshId("mark-value");
  const noteId = `${id}-note`;
  const name = `${kindOf(mark).label}, ${label}`;
  const kept = () => {
    const value = store.draft.marks[field] ?? null;
    return at === undefined ? value : (value?.[at] ?? null);
  };
  const input = /** @type {HTMLInputElement} */ (
    el("input", { id, inputmode: "decimal", size: 5, autocomplete: "off", "aria-describedby": noteId, data: { value: field }, on: { change: commit } })
  );
  const note = el("span", { id: noteId, class: "mark-value-wrong bad small", role: "alert" });
  let wrong = false;

  /** A text that cannot be taken stays to be seen, changes nothing, and keeps from signing. */
  function say(error) {
    wrong = error !== null;
    if (wrong) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
    note.textContent = error ?? "";
    store.setWrong({ name: `${field}-${at ?? ""}`, label: name, mark }, error);
  }

  /** @returns {boolean} whether it could be taken */
  function commit() {
    const text = input.value.trim();
    const number = text === "" ? null : numberOf(text);
    if (number !== null && !(number >= least && number <= most)) {
      say(`${name} takes a number from ${least} to ${most}, but "${text}" was given.`);
      return false;
    }
    say(null);
    if (at === undefined) set(field, number);
    else if (number !== null) {
      const pair = [...(store.draft.marks[field] ?? [number, number])];
      pair[at] = number;
      set(field, pair);
    }
    return true;
  }

  const leave = () => {
    say(null);
    show();
  };

  function show() {
    const value = kept();
    input.value = value === null ? "" : String(value);
  }

  input.addEventListener("keydown", onToTheFrame(view, { take: commit, leave }));

  function update() {
    if (document.activeElement === input || wrong) return; // being typed, or to be put right
    show();
  }
  /** The field goes, and a text that could not be taken with it. */
  const drop = () => wrong && say(null);
  return { input, update, drop, node: el("p", { class: "mark-value" }, el("label", { for: id }, `${label}, ${unit}`), input, note) };
}
