/**
 * A stand made from the marks of an attempt: those that belong to the camera position and not to
 * the truck, in the form in which the journal keeps marks.
 */

/** Marks of the marks-file form that a camera position keeps. */
export const STAND_MARKS = ["level", "plumb", "sheet", "scale", "lens", "view_angle", "square_within"];

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
function isMarked(marks, name) {
  const value = marks[name];
  return value !== null && value !== undefined && (!Array.isArray(value) || value.length > 0);
}

/**
 * @param {string} name
 * @param {import("./store.js").Draft} draft
 * @param {{name: string, sha: string}} clip
 * @param {{camera: string, distance_mm: number | null, note: string}} said
 */
export function standBody(name, draft, clip, said) {
  const { marks } = draft;
  const frame = marks.frame ?? 0;
  return {
    name,
    camera: said.camera,
    lens: marks.lens ? { path: `lenses/${marks.lens}`, sha256: null } : null,
    reference_clip: { path: `clips/${clip.name}`, sha256: clip.sha },
    reference_frame: frame,
    marks: recordedMarks(marks, frame),
    level_u_deg: marks.level_u ?? null,
    square_within_deg: marks.square_within ?? null,
    view_angle_deg: marks.view_angle ?? null,
    distance_mm: said.distance_mm,
    note: said.note,
  };
}

/** @param {Record<string, any>} marks @param {number} frame */
function recordedMarks(marks, frame) {
  const found = [];
  for (const role of ["level", "plumb", "scale"]) {
    if (!isMarked(marks, role)) continue;
    const [x1, y1, x2, y2] = marks[role];
    const line = { shape: "line", role, frame, x1, y1, x2, y2, edge_fit: marks.edge_fit ?? true };
    if (role === "scale") found.push({ ...line, length_mm: marks.scale_mm ?? null });
    else found.push({ ...line, u_deg: marks.level_u ?? null });
  }
  if (isMarked(marks, "sheet") && marks.sheet_size) {
    const corners = [0, 2, 4, 6].map((at) => [marks.sheet[at], marks.sheet[at + 1]]);
    const [width_mm, height_mm] = marks.sheet_size;
    found.push({
      shape: "sheet",
      role: "sheet",
      frame,
      corners,
      width_mm,
      height_mm,
      side_u_mm: marks.sheet_u_mm ?? 0.5,
    });
  }
  return found;
}
