/**
 * A stand made from the marks of an attempt: those that belong to the camera position and not to
 * the truck.
 */

import { isGiven } from "./plain.js";

/** Marks of the marks-file form that a camera position keeps. */
const STAND_MARKS = ["level", "plumb", "sheet", "scale", "lens", "view_angle", "square_within"];

/** What goes with them, and is kept where it is given. */
const BESIDE = ["level_u", "sheet_size", "sheet_u_mm", "scale_mm", "edge_fit"];

const WORDS = {
  level: "level line",
  plumb: "plumb line",
  sheet: "sheet",
  scale: "scale mark",
  lens: "lens",
  view_angle: "view angle",
  square_within: "how squarely it looks",
};

/** What of the marks a stand would keep, in words. @param {Record<string, any>} marks */
export function standWords(marks) {
  return STAND_MARKS.filter((name) => isMarked(marks, name)).map((name) => WORDS[name]);
}

/** Whether level or plumb is there: without one, a stand gives no reference. */
export function hasReference(marks) {
  return isMarked(marks, "level") || isMarked(marks, "plumb");
}

/** @param {Record<string, any>} marks @param {string} name */
const isMarked = (marks, name) => isGiven(marks[name]);

/**
 * @param {import("./store.js").Draft} draft
 * @param {{name: string, camera: string, distance_mm: number | null, note: string}} said
 */
export function standBody(draft, said) {
  const frame = draft.marks.frame ?? 0;
  const kept = [...STAND_MARKS, ...BESIDE].filter((name) => isMarked(draft.marks, name));
  const marks = Object.fromEntries(kept.map((name) => [name, draft.marks[name]]));
  return {
    name: said.name,
    camera: said.camera,
    clip: draft.clip,
    frame,
    marks: { ...marks, frame },
    distance_mm: said.distance_mm,
    note: said.note,
  };
}
