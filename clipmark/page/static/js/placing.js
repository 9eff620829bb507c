// Placing a new mark, point by point: by click, tap or drag, or at the keyboard's crosshair.

import { claimFrame, kindOf, putMark, SHEET_SIZES } from "./mark_kinds.js";
import { whyNotPlace } from "./may_mark.js";

const APART_PX = 2; // picture px; closer points are one point pressed twice

/** The mark that is being placed, point by point. */
export class Placing {
  /** @param {any} ctx @param {import("./marks_draw.js").MarksDrawing} drawing */
  constructor(ctx, drawing) {
    this.ctx = ctx;
    this.drawing = drawing;
    this.name = null;
    this.points = [];
    this.at = null; // where the next point would go
    this.cross = null; // the keyboard's crosshair
    ctx.store.subscribe(() => this.follow(), ["ui", "clip"]);
    ctx.view.subscribe((what) => what === "pointer" && this.hover());
  }

  /** The tool may be picked anywhere on the page. */
  follow() {
    const { tool } = this.ctx.store.ui;
    if (tool === this.name) return;
    this.name = tool;
    this.points = [];
    this.at = null;
    this.setCross(null);
    this.show();
  }

  /** What is to be placed next, in words; null without a tool. */
  get next() {
    return this.name ? kindOf(this.name).places[this.points.length] : null;
  }

  hover() {
    const { view } = this.ctx;
    if (!this.name || !view.pointer) return;
    if (this.cross && view.pointers.busy) this.setCross(null);
    if (this.cross) return;
    this.at = view.inside(view.pointer);
    this.show();
  }

  show() {
    const { name, points, at } = this;
    if (!name) this.drawing.showPlacing(null);
    else this.drawing.showPlacing({ name, points: points.length && at ? [...points, at] : points });
  }

  /** @param {import("./mark_kinds.js").Point|null} cross */
  setCross(cross) {
    this.cross = cross;
    this.drawing.showCross(cross);
    if (cross) {
      this.at = cross;
      this.show();
    }
  }

  /** Begin at the pointer when it is on the picture, else in the middle of what is seen. */
  startCross() {
    const { left, top, right, bottom } = this.ctx.view.port.visible;
    const { pointer } = this.ctx.view;
    const on = pointer && pointer.x > left && pointer.x < right && pointer.y > top && pointer.y < bottom;
    const at = on ? pointer : { x: (left + right) / 2, y: (top + bottom) / 2 };
    this.setCross({ x: Math.round(at.x), y: Math.round(at.y) });
  }

  moveCross(dx, dy) {
    if (!this.cross) this.startCross();
    const { view } = this.ctx;
    const tenths = (value) => Math.round(value * 10) / 10;
    const moved = view.inside({ x: this.cross.x + dx, y: this.cross.y + dy });
    this.setCross({ x: tenths(moved.x), y: tenths(moved.y) });
    view.reveal(this.cross);
    view.pointer = null;
  }

  /** @param {import("./mark_kinds.js").Point} point @returns {boolean} whether it was placed */
  add(point) {
    const { notices, view } = this.ctx;
    const why = whyNotPlace(this.ctx, this.name);
    if (why) {
      notices.say(why);
      return false;
    }
    const at = view.inside(point);
    const last = this.points[this.points.length - 1];
    if (last && Math.hypot(at.x - last.x, at.y - last.y) < APART_PX) return false;
    this.points = [...this.points, at];
    if (this.points.length === kindOf(this.name).places.length) this.finish();
    else {
      this.show();
      this.ctx.store.tell("ui"); // the next place is asked for
    }
    return true;
  }

  finish() {
    const { store, clock, view } = this.ctx;
    const { name, points } = this;
    const kind = kindOf(name);
    let id = name;
    store.change(`mark the ${kind.label}`, ({ marks }) => {
      claimFrame(marks, name, clock.ordinal);
      id = putMark(marks, name, points, view.port.picture.aspect);
      if (name === "sheet") marks.sheet_size ??= SHEET_SIZES[0].size;
    });
    const point = kind.shape === "patch" ? 2 : points.length - 1;
    this.ctx.edit.take(id, point);
  }

  /** Take back the point placed last; false when there is none. */
  back() {
    if (!this.name || this.points.length === 0) return false;
    this.points = this.points.slice(0, -1);
    this.show();
    this.ctx.store.tell("ui");
    return true;
  }

  /** What a press on the picture does while a tool is picked. */
  grip() {
    const { view } = this.ctx;
    let begun = false; // a drag has placed where it began
    const moveTo = (press) => {
      this.setCross(null);
      this.at = view.inside(press);
    };
    return {
      move: (press, moved) => {
        if (moved && !begun && this.dragsTwo) {
          begun = true;
          if (!this.add(this.startAt)) begun = false;
        }
        moveTo(press);
        this.show();
      },
      up: (press) => {
        moveTo(press);
        if (this.name) this.add(press);
      },
      cancel: () => {
        if (begun) this.back();
        this.show();
      },
    };
  }

  /** A drag sets both ends of what has two; of four corners each is set where it is let go. */
  get dragsTwo() {
    return this.name && this.points.length === 0 && kindOf(this.name).places.length === 2;
  }

  /** @param {import("./pointers.js").Press} press */
  press(press) {
    if (!this.name) return null;
    this.startAt = { x: press.x, y: press.y };
    return this.grip();
  }
}
