// What can be marked: one table for names, keys, looks, shapes, and the form marks are kept in.
//
// Pure. Positions are px of the upright picture, centre of the top-left pixel at (0, 0). A mark in
// hand or fitted goes by its id: the kind's name, or "wheel:0" for one of several.

import { isGiven } from "./plain.js";

/**
 * @typedef {{x: number, y: number}} Point
 * @typedef {object} MarkKind
 * @property {string} name
 * @property {string} label what people read
 * @property {string} [short] the same where there is little room
 * @property {string} key digit or letter that picks it
 * @property {string} colour Okabe-Ito; never the only difference
 * @property {string} dash stroke-dasharray, screen px; "" is solid
 * @property {"line"|"pair"|"sheet"|"patch"|"wheel"} shape
 * @property {string} field of the marks
 * @property {boolean} [many]
 * @property {number} [most] how many at most; of one of which there are several
 * @property {string[]} [motions] of which alone it is; of all where nothing is said
 * @property {"frame"|"patch_frame"|null} frameField which frame it belongs to; null for any
 * @property {string[]} points what its points are called
 * @property {string[]} places what is placed, in order
 * @property {string} hint how it is placed
 * @property {string|null} fit what the server fits
 * @property {boolean} [arrow] its direction counts
 */

const ENDS = ["first end", "second end"];
const CORNERS = ["corner 1", "corner 2", "corner 3", "corner 4"];
const PATCH_CORNERS = ["top left corner", "top right corner", "bottom right corner", "bottom left corner"];

/** @type {MarkKind[]} in the order of their keys */
export const KINDS = [
  line("level", "level line", "1", "#56B4E9", "", "frame", "level",
    "Mark both ends of something known to be level."),
  line("plumb", "plumb line", "2", "#009E73", "14 5", "frame", "plumb",
    "Mark both ends of something that hangs."),
  line("ramp", "ramp line", "3", "#E69F00", "20 6", "frame", "ramp",
    "Mark two places along the edge of the board, far apart."),
  {
    name: "hubs", label: "hubs", key: "4", colour: "#D55E00", dash: "3 5", shape: "pair",
    field: "hubs", frameField: "frame", points: ["rear hub", "front hub"],
    places: ["the rear hub", "the front hub"], fit: "hub",
    hint: "Mark the middle of the rear wheel, then of the front wheel.",
  },
  line("chassis", "chassis rail", "5", "#CC79A7", "12 4 3 4", "frame", "chassis",
    "Mark both ends of the chassis rail."),
  {
    name: "sheet", label: "sheet", key: "6", colour: "#F0E442", dash: "", shape: "sheet",
    field: "sheet", frameField: "frame", points: CORNERS,
    places: ["corner 1", "corner 2", "corner 3", "corner 4"], fit: "sheet side",
    hint: "Mark the four corners in order around the sheet, along its width first.",
  },
  line("scale", "scale mark", "7", "#0072B2", "9 3 3 3 3 3", null, "scale",
    "Mark two points a known length apart in the plane of motion."),
  {
    name: "wheel", label: "wheel", key: "8", colour: "#D55E00", dash: "9 4", shape: "wheel",
    field: "wheels", many: true, frameField: "patch_frame",
    points: ["hub", "rim", "other axis"], places: ["the hub", "the rim"], fit: "wheel",
    hint: "Mark the hub, then the rim.",
  },
  {
    name: "patch", label: "body patch", key: "9", colour: "#CC79A7", dash: "6 3", shape: "patch",
    field: "patch", frameField: "patch_frame", points: PATCH_CORNERS,
    places: ["one corner", "the corner across"], fit: null,
    hint: "Mark two corners across a textured part of the body.",
  },
  line("travel", "line of travel", "0", "#56B4E9", "16 4 2 4", null, "travel",
    "Mark where the travel begins, then which way it goes.", true),
  line("finish", "finish line", "x", "#F0E442", "4 4", null, "finish",
    "Mark both ends of the line that counts as the finish."),
  { ...line("platform", "platform line", "k", "#E69F00", "20 4 6 4", "frame", "platform",
    "Mark two places along the platform's edge, far apart."), motions: ["tilt"] },
  {
    name: "tyre", label: "uphill tyre", key: "y", colour: "#009E73", dash: "7 3 2 3", shape: "patch",
    field: "uphill_tyres", many: true, most: 2, frameField: "frame", points: PATCH_CORNERS,
    places: ["one corner", "the corner across"], fit: null, motions: ["tilt"],
    hint: "Mark two corners across a textured part of an uphill tyre; two tyres at most.",
  },
];

/** Kinds that a side tilt uses; the others give way to them in the list. */
const OF_A_TILT = new Set(["level", "plumb", "chassis", "sheet", "scale", "platform", "tyre"]);

/**
 * Whether a kind stands in the list while a motion is followed; what is marked always does.
 * @param {MarkKind} kind @param {string} motion
 */
export function isOfMotion(kind, motion) {
  return motion === "tilt" ? OF_A_TILT.has(kind.name) : !kind.motions || kind.motions.includes(motion);
}

/** Smallest and largest of what is written beside a mark; the server takes no other. */
export const BOUNDS = {
  level_u: { least: 0, most: 44 },
  length_mm: { least: 0.01, most: 1e6 },
  sheet_u_mm: { least: 0, most: 1e5 },
};

/** Usual sheets, by the side that is marked first: ISO 216 A4, mm. */
export const SHEET_SIZES = [
  { label: "A4 long", size: [297, 210] },
  { label: "A4 short", size: [210, 297] },
];

const BY_NAME = new Map(KINDS.map((kind) => [kind.name, kind]));

function line(name, label, key, colour, dash, frameField, fit, hint, arrow = false) {
  const points = arrow ? ["start", "heading"] : ENDS;
  return {
    name, label, key, colour, dash, frameField, fit, hint, arrow, points, field: name,
    shape: "line", places: points.map((point) => `the ${point}`), short: arrow ? "travel" : undefined,
  };
}

/** Kind of a mark by its id, or of that name. */
export function kindOf(id) {
  return BY_NAME.get(id.split(":")[0]);
}

/** Which of several; 0 for a mark of which there is one. */
export function indexOf(id) {
  return Number(id.split(":")[1] ?? 0);
}

/** What people read of one mark. */
export function labelOf(id) {
  const kind = kindOf(id);
  return kind.many ? `${kind.label} ${indexOf(id) + 1}` : kind.label;
}

/** Ids of everything that is marked, in the order of the table. */
export function markedIds(marks) {
  return KINDS.flatMap((kind) => {
    const value = marks[kind.field];
    if (!value?.length) return [];
    return kind.many ? value.map((_, index) => `${kind.name}:${index}`) : [kind.name];
  });
}

function valueOf(marks, id) {
  const kind = kindOf(id);
  const value = marks[kind.field] ?? null;
  return kind.many ? (value?.[indexOf(id)] ?? null) : value;
}

/**
 * The points of a mark by which it is held.
 * @param {Record<string, any>} marks @param {string} id
 * @returns {Point[]} empty when it is not marked
 */
export function pointsOf(marks, id) {
  const value = valueOf(marks, id);
  if (!value?.length) return [];
  const { shape } = kindOf(id);
  if (shape === "patch") return patchCorners(value);
  if (shape === "wheel") return wheelPoints(value);
  return pairs(value);
}

function pairs(numbers) {
  const points = [];
  for (let i = 0; i + 1 < numbers.length; i += 2) points.push({ x: numbers[i], y: numbers[i + 1] });
  return points;
}

/** Outer corners: a patch covers whole pixels, half a pixel past their centres. */
function patchCorners([x, y, w, h]) {
  const [left, top, right, bottom] = [x - 0.5, y - 0.5, x + w - 0.5, y + h - 0.5];
  return [
    { x: left, y: top }, { x: right, y: top }, { x: right, y: bottom }, { x: left, y: bottom },
  ];
}

function wheelPoints([cx, cy, rx, ry, turnDeg = 0]) {
  const turn = (turnDeg * Math.PI) / 180;
  return [
    { x: cx, y: cy },
    { x: cx + rx * Math.cos(turn), y: cy - rx * Math.sin(turn) },
    { x: cx - ry * Math.sin(turn), y: cy - ry * Math.cos(turn) },
  ];
}

/**
 * Put a newly placed mark into the marks; returns its id.
 * @param {Record<string, any>} marks changed
 * @param {string} name of the kind @param {Point[]} placed as many as `places`
 * @param {number} pixelAspect width of a pixel by its height
 */
export function putMark(marks, name, placed, pixelAspect = 1) {
  const kind = kindOf(name);
  let value = placed.flatMap(({ x, y }) => [tidy(x), tidy(y)]);
  if (kind.shape === "patch") value = patchFrom(placed);
  if (kind.shape === "wheel") value = wheelFrom(placed, pixelAspect);
  if (!kind.many) {
    marks[kind.field] = value;
    return name;
  }
  marks[kind.field] = [...(marks[kind.field] ?? []), value];
  return `${name}:${marks[kind.field].length - 1}`;
}

function patchFrom([a, b]) {
  const left = Math.round(Math.min(a.x, b.x));
  const top = Math.round(Math.min(a.y, b.y));
  return [
    left, top,
    Math.max(1, Math.round(Math.max(a.x, b.x)) - left),
    Math.max(1, Math.round(Math.max(a.y, b.y)) - top),
  ];
}

/** A circle as it is seen: with pixels that are not square its radii differ. */
function wheelFrom([hub, rim], pixelAspect) {
  const radius = Math.max(1, Math.hypot((rim.x - hub.x) * pixelAspect, rim.y - hub.y));
  return [tidy(hub.x), tidy(hub.y), tidy(radius / pixelAspect), tidy(radius), 0];
}

/**
 * Move one point of a mark to a place.
 * @param {Record<string, any>} marks changed
 * @param {string} id @param {number} point @param {Point} place
 * @param {number} [pixelAspect] width of a pixel by its height
 */
export function movePoint(marks, id, point, { x, y }, pixelAspect = 1) {
  const kind = kindOf(id);
  const value = [...valueOf(marks, id)];
  if (kind.shape === "patch") {
    setValue(marks, id, patchMoved(value, point, x, y));
  } else if (kind.shape === "wheel") {
    setValue(marks, id, wheelMoved(value, point, { x, y }, pixelAspect));
  } else {
    value[2 * point] = tidy(x);
    value[2 * point + 1] = tidy(y);
    setValue(marks, id, value);
  }
}

function patchMoved(value, point, x, y) {
  const corners = patchCorners(value);
  const across = corners[(point + 2) % 4];
  const left = point === 0 || point === 3 ? Math.min(x, across.x - 1) : across.x;
  const right = point === 1 || point === 2 ? Math.max(x, across.x + 1) : across.x;
  const top = point < 2 ? Math.min(y, across.y - 1) : across.y;
  const bottom = point > 1 ? Math.max(y, across.y + 1) : across.y;
  return [tidy(left + 0.5), tidy(top + 0.5), tidy(right - left), tidy(bottom - top)];
}

function wheelMoved([cx, cy, rx, ry, turnDeg = 0], point, { x, y }, pixelAspect) {
  if (point === 0) return [tidy(x), tidy(y), rx, ry, turnDeg];
  const isCircle = Math.abs(rx * pixelAspect - ry) < 0.01 && (rx === ry || turnDeg === 0);
  if (point === 1 && isCircle && pixelAspect !== 1) {
    const round = Math.max(1, Math.hypot((x - cx) * pixelAspect, y - cy));
    return [cx, cy, tidy(round / pixelAspect), tidy(round), 0];
  }
  const radius = Math.max(1, tidy(Math.hypot(x - cx, y - cy)));
  if (point === 2) return [cx, cy, rx, radius, turnDeg];
  if (rx === ry) return [cx, cy, radius, radius, turnDeg]; // a circle stays one
  return [cx, cy, radius, ry, tidy((Math.atan2(cy - y, x - cx) * 180) / Math.PI)];
}

/** Move a whole mark. */
export function moveMark(marks, id, dx, dy) {
  const { shape } = kindOf(id);
  const value = [...valueOf(marks, id)];
  const moving = shape === "patch" || shape === "wheel" ? 2 : value.length;
  for (let i = 0; i < moving; i += 1) value[i] = tidy(value[i] + (i % 2 ? dy : dx));
  setValue(marks, id, value);
}

/** Take a mark away, with what only it has. */
export function removeMark(marks, id) {
  const kind = kindOf(id);
  if (!kind.many) {
    marks[kind.field] = null;
    return;
  }
  const left = marks[kind.field].filter((_, index) => index !== indexOf(id));
  marks[kind.field] = left.length ? left : null;
}

function setValue(marks, id, value) {
  const kind = kindOf(id);
  if (kind.many) {
    marks[kind.field] = marks[kind.field].map((old, index) => (index === indexOf(id) ? value : old));
  } else {
    marks[kind.field] = value;
  }
}

/** A thousandth of a pixel: finer than any mark, and no tails of binary fractions in files. */
function tidy(px) {
  return Math.round(px * 1000) / 1000;
}

/** The frame a mark belongs to; null when it holds for every frame. */
export function frameOf(marks, id) {
  const { frameField } = kindOf(id);
  if (frameField === null) return null;
  return (frameField === "patch_frame" ? marks.patch_frame : null) ?? marks.frame ?? 0;
}

/**
 * Let a mark about to be placed belong to a frame; false when others of its kind are on another.
 * @param {Record<string, any>} marks changed
 */
export function claimFrame(marks, name, ordinal) {
  const kind = kindOf(name);
  if (kind.frameField === null || frameOf(marks, name) === ordinal) return true;
  const others = markedIds(marks).filter((id) => {
    const other = kindOf(id);
    return other.frameField === kind.frameField && (kind.many || other.name !== name);
  });
  if (others.length) return false;
  if (kind.frameField === "patch_frame") {
    marks.patch_frame = ordinal;
    return true;
  }
  const followed = markedIds(marks).some((id) => kindOf(id).frameField === "patch_frame");
  if (followed) marks.patch_frame ??= marks.frame ?? 0;
  marks.frame = ordinal;
  if (marks.patch_frame === ordinal) marks.patch_frame = null;
  return true;
}

const has = (marks, field) => isGiven(marks[field]);

/**
 * Marks still needed before something can be measured.
 * @param {Record<string, any>} marks @param {"angle"|"chassis"|"crawl"} what
 * @returns {string[]} in words; empty when all are there
 */
export function neededFor(what, marks) {
  const needed = [];
  if (what === "crawl") {
    if (!has(marks, "patch")) needed.push("body patch");
    const scaled = (has(marks, "scale") && has(marks, "scale_mm")) || (marks.wheels?.length > 0 && has(marks, "wheel_mm"));
    if (!scaled && !(has(marks, "sheet") && has(marks, "sheet_size"))) {
      needed.push("scale mark with its length, sheet with its size, or wheels with their diameter");
    }
    return needed;
  }
  if (!has(marks, "ramp")) needed.push("ramp line");
  if (!has(marks, "level") && !has(marks, "plumb")) needed.push("level line or plumb line");
  if (what === "chassis" && !has(marks, "hubs") && !has(marks, "chassis")) {
    needed.push("hubs or chassis rail");
  }
  return needed;
}
