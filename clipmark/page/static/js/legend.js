// The legend: every kind of mark with its key, line, name and state, to be picked; what belongs to
// the mark in hand is filled in under it.

import { button, el, put, svg } from "./dom.js";
import { currentFit, fitUDeg } from "./fit_key.js";
import { isOfMotion, KINDS, kindOf, labelOf, markedIds } from "./mark_kinds.js";
import { markValues } from "./mark_values.js";
import { decimalsFor, fixed } from "./numbers.js";
import { keyText } from "./keys.js";

/** @param {HTMLElement} root the region `#legend` @param {any} ctx */
export function mount(root, ctx) {
  const { store, actions } = ctx;
  const rows = KINDS.map((kind) => row(kind, ctx));
  const values = markValues(ctx);
  const declare = button("View, sizes", () => actions.run("declare"), {
    class: "legend-declare", title: "Lens, sheet size, how squarely the camera looks, true lengths",
  });
  put(root, el("ul", { role: "list", class: "legend-list" }, rows.map((one) => one.node), values.node), declare);
  let due = 0;
  const update = () => {
    due ||= requestAnimationFrame(() => {
      due = 0;
      for (const one of rows) one.update();
      values.update();
    });
  };
  store.subscribe(update, ["marks", "ui", "loaded", "fits", "clip", "details", "event", "readings"]);
  update();
}

function row(kind, ctx) {
  const { store, edit, keys } = ctx;
  const key = el("kbd", {});
  const state = el("span", { class: "legend-state" });
  const spoken = el("span", { class: "unseen" });
  const pick = button("", () => edit.pick(kind.name), {
    class: "legend-pick", data: { pick: kind.name }, title: kind.hint, "aria-pressed": "false",
  });
  put(pick, key,
    el("span", { class: "legend-words" },
      el("span", { class: "legend-label" }, kind.short ?? kind.label),
      el("span", { class: "legend-line" }, swatch(kind), state)),
    spoken);
  const remove = button("×", () => edit.remove(toRemove()), { class: "legend-remove plain" });
  const node = el("li", { class: "legend-row", data: { kind: kind.name } }, pick, remove);

  const ids = () => markedIds(store.draft.marks).filter((id) => kindOf(id).name === kind.name);

  /** The one in hand, or the one marked last. */
  function toRemove() {
    const all = ids();
    const held = store.ui.hand?.mark;
    return all.includes(held) ? held : all[all.length - 1];
  }

  function update() {
    const { tool, hand } = store.ui;
    const all = ids();
    const held = all.includes(hand?.mark);
    node.hidden = all.length === 0 && tool !== kind.name && !isOfMotion(kind, store.motion);
    put(key, keyText(keys.of(`pick-${kind.name}`)[0] ?? ""));
    pick.setAttribute("aria-pressed", String(tool === kind.name || held));
    const { text, words } = stateOf(ctx, kind, all);
    if (state.textContent !== text) put(state, text);
    node.dataset.state = tool === kind.name ? "placing" : all.length ? "marked" : "open";
    const doing = tool === kind.name ? "being placed" : held ? `${words}, in hand` : words;
    if (spoken.textContent !== `, ${doing}`) spoken.textContent = `, ${doing}`;
    remove.toggleAttribute("data-idle", all.length === 0); // its place stays: the row must not shift
    if (all.length) {
      const label = `Remove the ${labelOf(toRemove())}`;
      remove.setAttribute("aria-label", label);
      remove.title = label;
    }
  }
  return { node, update };
}

/** In few signs for the eye, in words for the ear. */
function stateOf(ctx, kind, all) {
  if (all.length === 0) return { text: "", words: "not marked" };
  if (all.some((id) => ctx.fits?.isGoing(id))) return { text: "fitting", words: "being fitted" };
  const fits = all.map((id) => currentFit(ctx.store, id));
  const many = kind.many && all.length > 1 ? `${all.length} ` : "";
  if (fits.some((fit) => fit?.problem)) return { text: `${many}no fit`, words: `${many}marked, no edge found` };
  const us = fits.map(fitUDeg).filter((u) => u !== null);
  if (us.length) {
    const u = Math.max(...us);
    const text = `u ${fixed(u, decimalsFor(u))}°`;
    return { text, words: `edge fitted, standard uncertainty ${fixed(u, decimalsFor(u))} degrees` };
  }
  if (fits.some((fit) => fit?.hubs.length)) return { text: `${many}fitted`, words: `${many}fitted` };
  return { text: `${many}✓`, words: `${many}marked` };
}

/** The line as it is drawn: colour and dash on its casing. */
export function swatch(kind) {
  const d = "M2 4H74";
  return svg(
    "svg",
    { class: "legend-swatch", viewBox: "0 0 76 8", preserveAspectRatio: "xMinYMid slice", "aria-hidden": "true" },
    svg("path", { class: "swatch-casing", d }),
    svg("path", { class: "swatch-line", d, stroke: kind.colour, "stroke-dasharray": kind.dash || null }),
  );
}
