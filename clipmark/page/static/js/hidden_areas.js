/**
 * Areas to hide as a list that can be changed and changed back. Pure: no screen, no server.
 *
 * @typedef {{x: number, y: number, w: number, h: number, first_frame: number | null, last_frame: number | null}} Area
 */

const LEAST_PX = 4; // a smaller rectangle hides nothing anybody could know

/** The areas of one clip, the one in hand, and what was before. */
export class HiddenAreas {
  /** @param {{width: number, height: number}} picture @param {Area[]} areas */
  constructor(picture, areas) {
    this.picture = picture;
    this.areas = areas;
    /** @type {number | null} */
    this.inHand = null;
    /** @type {Area[][]} */
    this.before = [];
    this.kept = JSON.stringify(areas);
  }

  get changed() {
    return JSON.stringify(this.areas) !== this.kept;
  }

  /** What is on the server now. @param {Area[]} areas */
  noteKept(areas) {
    this.areas = areas;
    this.kept = JSON.stringify(areas);
    if (this.inHand !== null && this.inHand >= areas.length) this.inHand = null;
  }

  /** Begin a step that can be undone. */
  step() {
    this.before.push(this.areas.map((area) => ({ ...area })));
  }

  /** The first of two steps that belong together is enough to go back to. */
  dropStep() {
    this.before.pop();
  }

  undo() {
    const last = this.before.pop();
    if (!last) return false;
    this.areas = last;
    if (this.inHand !== null && this.inHand >= last.length) this.inHand = null;
    return true;
  }

  /** A new area in the middle of the picture, or between two corners. */
  add(from = null, to = null) {
    const { width, height } = this.picture;
    const area = from && to
      ? { x: Math.min(from.x, to.x), y: Math.min(from.y, to.y), w: Math.abs(to.x - from.x), h: Math.abs(to.y - from.y) }
      : { x: (width * 3) / 8, y: (height * 3) / 8, w: width / 4, h: height / 4 };
    this.areas = [...this.areas, { ...this.inside(area), first_frame: null, last_frame: null }];
    this.inHand = this.areas.length - 1;
  }

  /** @param {number} at */
  remove(at) {
    this.areas = this.areas.filter((_, index) => index !== at);
    this.inHand = null;
  }

  /** Change an area; what leaves the picture is brought back. @param {number} at @param {Partial<Area>} to */
  change(at, to) {
    this.areas = this.areas.map((area, index) => (index === at ? this.inside({ ...area, ...to }) : area));
  }

  /** @template {{x: number, y: number, w: number, h: number}} T @param {T} area @returns {T} */
  inside(area) {
    const { width, height } = this.picture;
    const w = Math.round(Math.max(LEAST_PX, Math.min(width, area.w)));
    const h = Math.round(Math.max(LEAST_PX, Math.min(height, area.h)));
    const x = Math.round(Math.max(0, Math.min(width - w, area.x)));
    const y = Math.round(Math.max(0, Math.min(height - h, area.y)));
    return { ...area, x, y, w, h };
  }
}

/** Whether an area is hidden in a frame. @param {Area} area @param {number} ordinal */
export function holdsAt(area, ordinal) {
  return ordinal >= (area.first_frame ?? 0) && (area.last_frame === null || ordinal <= area.last_frame);
}

/** "whole clip", "frames 10 to 90", "from frame 10 on" @param {Area} area */
export function spanWords({ first_frame: first, last_frame: last }) {
  if (first === null && last === null) return "in the whole clip";
  if (last === null) return `from frame ${first} on`;
  if (first === null) return `up to frame ${last}`;
  return `in frames ${first} to ${last}`;
}

/** @param {Area} area */
export function sizeWords({ x, y, w, h }) {
  return `${w} × ${h} px at ${x}, ${y}`;
}
