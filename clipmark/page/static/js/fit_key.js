// What an edge fit rests on, and what the store keeps of one.

import { frameOf, kindOf } from "./mark_kinds.js";

/**
 * @typedef {object} Fit
 * @property {string} forMarks what it rests on, see `fitKey`
 * @property {any[]} lines one for a line, four for a sheet; as the server answers
 * @property {any[]} hubs fitted hub centres
 * @property {string|null} problem why there is none
 */

/** Frame on which a mark is fitted. */
export function fitFrame(marks, id) {
  return frameOf(marks, id) ?? marks.patch_frame ?? marks.frame ?? 0;
}

/** @param {import("./store.js").Draft} draft @param {string} id */
export function fitKey(draft, id) {
  const { marks, clip } = draft;
  const used = ["rim_px", "lens", "view_angle", "square_within"].map((field) => marks[field] ?? null);
  return JSON.stringify([clip, fitFrame(marks, id), marks[kindOf(id).field] ?? null, used]);
}

/** The fit of a mark as it is now, or null. @returns {Fit|null} */
export function currentFit(store, id) {
  const fit = store.fits.get(id);
  return fit && fit.forMarks === fitKey(store.draft, id) ? fit : null;
}

/** Standard uncertainty of the direction, degrees: the worst of the lines; null without. */
export function fitUDeg(fit) {
  const all = (fit?.lines ?? []).map((line) => line.u_angle_deg).filter(Number.isFinite);
  return all.length ? Math.max(...all) : null;
}

/** Points along a fitted line. */
export function fittedPoints(line) {
  if (line.picture_points?.length > 1) return line.picture_points.map(([x, y]) => ({ x, y }));
  const [x1, y1, x2, y2] = line.measured;
  return [{ x: x1, y: y1 }, { x: x2, y: y2 }];
}
