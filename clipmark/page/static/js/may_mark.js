// Whether marks can be set now, and if not, why: a sentence that says what to do.

import { claimFrame, frameOf, kindOf, labelOf } from "./mark_kinds.js";

/** Why nothing can be marked on what is seen now, or null. */
function whyNoPicture({ store, clock, view, frames }) {
  if (!store.clip?.facts) return "There is no picture to mark on; open a clip first.";
  if (clock.playing) return "The clip is running; stop it before marking, marks are set on one frame.";
  if (view.exactHere) return null;
  if (frames.problem(clock.ordinal)) {
    return `Frame ${clock.ordinal} has no exact picture; step to another frame to mark.`;
  }
  return `The exact picture of frame ${clock.ordinal} is not here yet; marks can be placed on it alone, wait a moment.`;
}

/** Why a new mark of a kind cannot be placed on this frame, or null. */
export function whyNotPlace(ctx, name) {
  const none = whyNoPicture(ctx);
  if (none) return none;
  const fixed = ctx.fixedFrame ? frameOf(ctx.store.draft.marks, name) : null;
  if (fixed !== null && fixed !== ctx.clock.ordinal) {
    return `This is marked on frame ${fixed}; go there.`;
  }
  const kind = kindOf(name);
  if (kind.most && (ctx.store.draft.marks[kind.field]?.length ?? 0) >= kind.most) {
    return `Both are marked already: a truck has ${kind.most} of them, so take one away, or move it.`;
  }
  const marks = structuredClone(ctx.store.draft.marks);
  if (claimFrame(marks, name, ctx.clock.ordinal)) return null;
  return (
    `The other marks are on frame ${frameOf(marks, name)}, and one reading is made on one frame; ` +
    "go there, or bring them to this frame."
  );
}

/** Why a mark cannot be moved now, or null. */
export function whyNotMove(ctx, id) {
  const none = whyNoPicture(ctx);
  if (none) return none;
  const frame = frameOf(ctx.store.draft.marks, id);
  if (frame === null || frame === ctx.clock.ordinal) return null;
  const bring = ctx.fixedFrame ? "" : ", or bring the marks to this frame";
  return `The ${labelOf(id)} is set on frame ${frame}; go there${bring}.`;
}

/** Take the marks that belong to one frame over to the frame shown. */
export function bringMarks({ store, clock, fixedFrame }, name) {
  const field = kindOf(name).frameField;
  if (field === null || fixedFrame) return;
  store.change(`bring the marks to frame ${clock.ordinal}`, ({ marks }) => {
    if (field === "patch_frame") {
      marks.patch_frame = clock.ordinal === marks.frame ? null : clock.ordinal;
    } else {
      marks.frame = clock.ordinal;
    }
  });
}
