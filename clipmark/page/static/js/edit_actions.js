// Keys of marking: picking, placing, nudging, handing on, removing.

import { frameOf, KINDS } from "./mark_kinds.js";
import { bringMarks } from "./may_mark.js";

const WAYS = [
  ["left", "ArrowLeft", -1, 0], ["right", "ArrowRight", 1, 0],
  ["up", "ArrowUp", 0, -1], ["down", "ArrowDown", 0, 1],
];
// for a point in hand and for the crosshair, picture px; for the view, screen px
const SIZES = [
  { name: "", before: "", hand: 1, cross: 4, pan: 40, text: "1 px" },
  { name: "-far", before: "Shift+", hand: 10, cross: 40, pan: 160, text: "10 px" },
  { name: "-fine", before: "Alt+", hand: 0.1, cross: 0.1, pan: 8, text: "0.1 px" },
];

/** @param {any} ctx */
export function addEditActions(ctx) {
  const { actions, store, edit, view } = ctx;
  const { placing } = edit;
  const add = (name, label, key, run, when, repeats = false) =>
    actions.add({ name, label, group: "Marks", key, run, repeats, ...(when ? { when } : {}) });

  for (const kind of KINDS) {
    add(`pick-${kind.name}`, `Pick the ${kind.label}`, kind.key, () => {
      edit.pick(kind.name);
      if (store.ui.tool === kind.name) placing.startCross();
    });
  }
  add("place", "Place a point at the crosshair", "Enter", () => {
    if (placing.cross) placing.add(placing.cross);
    else placing.startCross();
  }, () => store.ui.tool !== null);
  add("hand-on", "Hand on: next point", "h", () => edit.handOn(1), undefined, true);
  add("hand-back", "Point before", "Shift+h", () => edit.handOn(-1), undefined, true);
  add("let-go", "Let go", "Escape", () => {
    if (view.pointers.drop() || placing.back()) return;
    edit.letGo();
    view.focus();
  }, () => store.ui.tool !== null || store.ui.hand !== null);
  add("remove-mark", "Remove the mark in hand", ["Delete", "Backspace"], () =>
    edit.remove(store.ui.hand.mark), () => store.ui.hand !== null);
  add("visit-marks", "Visit the frame the marks are on", "v", () => {
    const frame = frameOf(store.draft.marks, meant(store));
    ctx.clock.goto(frame ?? store.draft.marks.frame ?? 0);
  });
  add("bring-marks", "Bring the marks to this frame", "Shift+v", () => bringMarks(ctx, meant(store)));

  for (const [way, key, dx, dy] of WAYS) {
    for (const size of SIZES) {
      add(`${way}${size.name}`, `Point in hand ${size.text} ${way}`, `${size.before}${key}`,
        () => arrow(ctx, dx, dy, size), () => arrowsMeant(ctx), true);
    }
  }
}

/** Which kind of mark the frame keys are about. */
function meant({ ui }) {
  return ui.tool ?? ui.hand?.mark ?? "ramp";
}

/** Elsewhere on the page arrows scroll, or belong to what has the focus. */
function arrowsMeant({ store, view }) {
  const { activeElement } = document;
  if (activeElement?.closest?.("input, select, textarea, [role=slider], [role=listbox], fieldset")) return false;
  return store.ui.tool !== null || store.ui.hand !== null || view.stage.contains(activeElement);
}

function arrow({ store, edit, view }, dx, dy, size) {
  if (store.ui.tool) edit.placing.moveCross(dx * size.cross, dy * size.cross);
  else if (store.ui.hand) edit.nudge(dx * size.hand, dy * size.hand);
  else view.panBy(-dx * size.pan, -dy * size.pan);
}
