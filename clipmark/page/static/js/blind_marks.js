// Marking what is asked for and nothing else; every mark is fitted at once, so that one that finds no
// edge is mended now and not when the picture is signed.

import { currentFit } from "./fit_key.js";
import { Fits } from "./fits.js";
import { kindOf, labelOf, markedIds, pointsOf } from "./mark_kinds.js";

const SETTLED_MS = 300;
const FITTED = new Set(["level", "plumb", "ramp", "chassis", "hubs", "sheet", "wheel", "platform"]);

class BlindFits extends Fits {
  /** Wheels and hubs are found in the plane that the sheet shows. */
  ask(body, signal) {
    const { sheet } = this.ctx.store.draft.marks;
    const isRound = body.what === "hub" || body.what === "wheel";
    return super.ask(isRound && sheet ? { ...body, sheet } : body, signal);
  }

  /** Fit what rests and was not fitted as it lies now. */
  again() {
    super.again();
    const { store, view } = this.ctx;
    if (!store.ui.fitsEdges || !view.exactHere) return;
    for (const id of markedIds(store.draft.marks)) {
      const isDue = !this.going.has(id) && !currentFit(store, id) && !store.fits.has(id);
      if (isDue && FITTED.has(kindOf(id).name)) this.fit(id);
    }
  }
}

/** How many of what is asked for are marked. @param {any} marks @param {{name: string}} wanted */
export function markedCount(marks, { name }) {
  return markedIds(marks).filter((id) => kindOf(id).name === name).length;
}

/** What is asked for and not marked yet. @param {any} store */
export function openOnes({ draft, ui }) {
  return (ui.wanted ?? []).filter((one) => markedCount(draft.marks, one) < one.count);
}

/** @param {any} ctx */
export function mountBlindMarks(ctx) {
  const { store, actions, notices, edit, view } = ctx;
  const fits = new BlindFits(ctx);
  ctx.fits = fits;
  ctx.fixedFrame = true; // one picture is marked on the frame it was chosen for
  let resting = 0;
  const whenItRests = () => {
    clearTimeout(resting);
    resting = setTimeout(() => !store.held && fits.again(), SETTLED_MS);
  };
  store.subscribe(whenItRests, ["marks", "settled", "loaded", "clip"]);
  view.subscribe((what) => what === "painted" && whenItRests());

  const pickAny = edit.pick.bind(edit);
  edit.pick = (name) => {
    const wanted = store.ui.wanted?.find((one) => one.name === name);
    if (!wanted) {
      if (store.key) notices.say(`The ${kindOf(name).label} is not asked for in this picture.`);
      return;
    }
    const isMore = kindOf(name).many && markedCount(store.draft.marks, wanted) < wanted.count;
    if (!isMore || store.ui.tool === name) {
      pickAny(name);
      return;
    }
    store.setUi({ tool: name, hand: null });
    view.focus();
  };

  const inHand = (run) => () => {
    const id = store.ui.hand?.mark;
    if (id && pointsOf(store.draft.marks, id).length) run(id);
    else notices.say("Nothing is in hand; pick a mark first.");
  };
  const add = (name, label, key, run) => actions.add({ name, label, group: "Marks", key, run });
  add("fit-edge", "Edge fit of the mark in hand", "e", inHand((id) => fits.fit(id)));
  add("take-runner-up", "Take the runner-up edge instead", "Shift+e", inHand((id) => fits.takeRunnerUp(id)));
  add("mark-next", "Mark what is asked for next", "m", () => {
    const [next] = openOnes(store).sort((a, b) => Number(b.needed) - Number(a.needed));
    if (!next) notices.say("Everything that is asked for is marked.");
    else if (store.ui.tool !== next.name) {
      ctx.actions.run("visit-marks");
      edit.pick(next.name);
      if (store.ui.tool === next.name) edit.placing.startCross();
    }
  });
}

/** What a mark's row says: in few signs, and in words. @param {any} ctx @param {any} wanted */
export function stateOf({ store, fits }, wanted) {
  const ids = markedIds(store.draft.marks).filter((id) => kindOf(id).name === wanted.name);
  const of = wanted.count > 1 ? `${ids.length} of ${wanted.count}` : "";
  if (store.ui.tool === wanted.name) return { text: `${of} placing`.trim(), state: "placing" };
  if (ids.length === 0) return { text: wanted.needed ? of || "to mark" : "if you can", state: "open" };
  if (ids.some((id) => fits.isGoing(id))) return { text: `${of} fitting`.trim(), state: "marked" };
  const problem = ids.map((id) => currentFit(store, id)).some((fit) => fit?.problem);
  if (problem) return { text: `${of} no edge`.trim(), state: "wrong", what: labelOf(ids[0]) };
  if (ids.length < wanted.count) return { text: of, state: "open" };
  return { text: `${of} marked`.trim(), state: "marked" };
}
