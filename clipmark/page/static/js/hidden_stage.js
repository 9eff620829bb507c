/**
 * The picture on which areas to hide are drawn: hatched rectangles that are drawn, dragged and
 * stretched by mouse, pen or finger, and moved by keyboard; or the picture as it will be handed out.
 */

import { el, freshId, put, svg } from "./dom.js";
import { holdsAt, sizeWords, spanWords } from "./hidden_areas.js";

const CORNERS = [[0, 0], [1, 0], [1, 1], [0, 1]];
const REACH_PX = { mouse: 10, pen: 14, touch: 24 }; // CSS px around a corner that hold it
const SLACK_PX = 6; // CSS px that a hand moves without meaning to draw
const BLOCKS = 3; // as in what is handed out
const LEVELS = 8;
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/** The picture with its rectangles. */
export class HiddenStage {
  /**
   * @param {import("./hidden_areas.js").HiddenAreas} model
   * @param {{sha: string, name: string, aspect: string}} clip
   * @param {() => void} changed
   */
  constructor(model, clip, changed) {
    this.model = model;
    this.clip = clip;
    this.changed = changed;
    this.ordinal = 0;
    this.asShown = false;
    this.grip = null;
    const { width, height } = model.picture;
    this.hatch = freshId("hatch");
    this.image = /** @type {HTMLImageElement} */ (el("img", { class: "hidden-picture", alt: "" }));
    this.image.style.aspectRatio = clip.aspect;
    this.canvas = /** @type {HTMLCanvasElement} */ (el("canvas", { class: "hidden-seen", width, height, "aria-hidden": "true" }));
    this.drawing = svg("svg", { class: "hidden-drawing", viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "none" });
    this.node = el("div", { class: "hidden-stage", role: "group", "aria-label": `Frame of ${clip.name}` },
      this.image, this.canvas, this.drawing);
    this.image.addEventListener("load", () => {
      this.node.dataset.shown = String(this.ordinal);
      this.draw();
    });
    this.drawing.addEventListener("pointerdown", (event) => this.press(event));
    this.drawing.addEventListener("pointermove", (event) => this.grip && this.drag(event));
    this.drawing.addEventListener("pointerup", () => this.release());
    this.drawing.addEventListener("pointercancel", () => this.cancel());
    this.drawing.addEventListener("keydown", (event) => this.key(event));
  }

  /** @param {number} ordinal */
  show(ordinal) {
    this.ordinal = ordinal;
    this.image.src = `api/clips/${this.clip.sha}/frames/${ordinal}.jpg?width=960`;
    this.draw();
  }

  draw() {
    const { model } = this;
    const focused = document.activeElement?.closest?.(".hidden-area")?.getAttribute("data-area");
    put(this.drawing,
      svg("defs", {}, svg("pattern", { id: this.hatch, width: 24, height: 24, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
        svg("rect", { width: 24, height: 24, class: "hidden-ground" }),
        svg("rect", { width: 6, height: 24, class: "hidden-line" }))),
      this.asShown ? null : model.areas.map((area, at) => this.shape(area, at)));
    if (focused !== undefined && focused !== null) this.focusOn(Number(focused));
    this.preview();
  }

  /** @param {import("./hidden_areas.js").Area} area @param {number} at */
  shape(area, at) {
    const inHand = this.model.inHand === at;
    const group = svg("g", {
      class: "hidden-area", tabindex: "0", role: "button", "aria-pressed": inHand ? "true" : "false",
      "aria-label": `Area ${at + 1}, ${sizeWords(area)}, ${spanWords(area)}`,
      data: { area: String(at), elsewhere: holdsAt(area, this.ordinal) ? "no" : "yes" },
      on: { focus: () => this.take(at) },
    },
      svg("rect", { x: area.x, y: area.y, width: area.w, height: area.h, fill: `url(#${this.hatch})`, class: "hidden-fill" }),
      svg("rect", { x: area.x, y: area.y, width: area.w, height: area.h, class: "hidden-casing" }),
      svg("rect", { x: area.x, y: area.y, width: area.w, height: area.h, class: "hidden-edge" }));
    if (inHand) {
      const { x: rx, y: ry } = this.perCss(7);
      for (const [i, j] of CORNERS) {
        group.append(svg("rect", { x: area.x + i * area.w - rx, y: area.y + j * area.h - ry, width: 2 * rx, height: 2 * ry, class: "hidden-corner" }));
      }
    }
    const { x: tx, y: ty } = this.perCss(1);
    const label = svg("g", { transform: `translate(${area.x + 6 * tx} ${area.y + 20 * ty}) scale(${tx} ${ty})` },
      svg("text", { class: "hidden-name" }, String(at + 1)));
    group.append(label);
    return group;
  }

  /** Picture px of so many CSS px, sideways and upwards. */
  perCss(px) {
    const box = this.drawing.getBoundingClientRect();
    const { width, height } = this.model.picture;
    return { x: (px * width) / Math.max(1, box.width), y: (px * height) / Math.max(1, box.height) };
  }

  take(at) {
    if (this.model.inHand === at) return;
    this.model.inHand = at;
    this.changed();
    this.draw();
    this.focusOn(at);
  }

  focusOn(at) {
    /** @type {SVGElement | null} */ (this.drawing.querySelector(`[data-area="${at}"]`))?.focus({ preventScroll: true });
  }

  place(event) {
    const box = this.drawing.getBoundingClientRect();
    const { width, height } = this.model.picture;
    const inside = (value, most) => Math.max(0, Math.min(most, value));
    return {
      x: inside(((event.clientX - box.left) / box.width) * width, width),
      y: inside(((event.clientY - box.top) / box.height) * height, height),
    };
  }

  press(event) {
    if (event.button !== 0 || this.asShown) return;
    const { model } = this;
    const at = this.place(event);
    const corner = this.cornerAt(at, REACH_PX[event.pointerType] ?? 10);
    const under = model.areas.findLastIndex(({ x, y, w, h }) => at.x >= x && at.x <= x + w && at.y >= y && at.y <= y + h);
    model.step();
    if (corner !== null) {
      const area = model.areas[model.inHand];
      const [i, j] = CORNERS[corner];
      this.grip = { kind: "stretch", fixed: { x: area.x + (1 - i) * area.w, y: area.y + (1 - j) * area.h } };
    } else if (under >= 0) {
      this.take(under);
      const area = model.areas[under];
      this.grip = { kind: "move", dx: at.x - area.x, dy: at.y - area.y };
    } else {
      this.grip = { kind: "new", fixed: at };
    }
    Object.assign(this.grip, { fromX: event.clientX, fromY: event.clientY, moved: false, begun: false });
    this.drawing.setPointerCapture(event.pointerId);
    event.preventDefault();
  }

  /** Which corner of the area in hand lies so near, or null. */
  cornerAt(at, reach) {
    const area = this.model.inHand === null ? null : this.model.areas[this.model.inHand];
    if (!area) return null;
    const { x: rx, y: ry } = this.perCss(reach);
    const found = CORNERS.findIndex(([i, j]) => Math.abs(at.x - area.x - i * area.w) <= rx && Math.abs(at.y - area.y - j * area.h) <= ry);
    return found < 0 ? null : found;
  }

  drag(event) {
    const { model, grip } = this;
    grip.moved ||= Math.hypot(event.clientX - grip.fromX, event.clientY - grip.fromY) > SLACK_PX;
    if (!grip.moved) return;
    const at = this.place(event);
    if (grip.kind === "move") {
      model.change(model.inHand, { x: at.x - grip.dx, y: at.y - grip.dy });
    } else if (grip.kind === "new" && !grip.begun) {
      model.add(grip.fixed, at);
      grip.begun = true;
    } else {
      const { fixed } = grip;
      model.change(model.inHand, { x: Math.min(fixed.x, at.x), y: Math.min(fixed.y, at.y), w: Math.abs(at.x - fixed.x), h: Math.abs(at.y - fixed.y) });
    }
    this.changed();
    this.draw();
  }

  release() {
    if (this.grip && !this.grip.moved) this.model.dropStep();
    this.grip = null;
  }

  cancel() {
    if (!this.grip) return;
    this.grip = null;
    this.model.undo();
    this.changed();
    this.draw();
  }

  /** Arrows move the area in hand by a pixel, with Shift by ten, with Alt its lower right corner. */
  key(event) {
    const { model } = this;
    const at = model.inHand;
    if (at === null) return;
    if (event.key === "Delete" || event.key === "Backspace") {
      model.step();
      model.remove(at);
    } else if (STEPS[event.key]) {
      const [dx, dy] = STEPS[event.key].map((by) => by * (event.shiftKey ? 10 : 1));
      const area = model.areas[at];
      model.step();
      model.change(at, event.altKey ? { w: area.w + dx, h: area.h + dy } : { x: area.x + dx, y: area.y + dy });
    } else {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
    this.changed();
    this.draw();
  }

  /** The picture as it will be handed out: each area as a few flat blocks. */
  preview() {
    const { width, height } = this.model.picture;
    this.canvas.hidden = !this.asShown;
    if (!this.asShown || !this.image.complete || !this.image.naturalWidth) return;
    const paper = this.canvas.getContext("2d");
    paper.imageSmoothingEnabled = true;
    paper.drawImage(this.image, 0, 0, width, height);
    const source = el("canvas", { width, height });
    source.getContext("2d").drawImage(this.image, 0, 0, width, height);
    for (const area of this.model.areas.filter((one) => holdsAt(one, this.ordinal))) hideOn(paper, source, area);
  }
}

/** Paint an area as blocks of its mean colours, in few levels. */
function hideOn(paper, source, { x, y, w, h }) {
  const read = source.getContext("2d");
  for (let row = 0; row < BLOCKS; row += 1) {
    for (let column = 0; column < BLOCKS; column += 1) {
      const x0 = Math.round(x + (column * w) / BLOCKS);
      const y0 = Math.round(y + (row * h) / BLOCKS);
      const x1 = Math.max(x0 + 1, Math.round(x + ((column + 1) * w) / BLOCKS));
      const y1 = Math.max(y0 + 1, Math.round(y + ((row + 1) * h) / BLOCKS));
      const { data } = read.getImageData(x0, y0, x1 - x0, y1 - y0);
      const mean = [0, 0, 0];
      for (let at = 0; at < data.length; at += 4) for (let c = 0; c < 3; c += 1) mean[c] += data[at + c];
      const level = mean.map((sum) => ((Math.floor((sum / (data.length / 4) / 256) * LEVELS) + 0.5) * 256) / LEVELS);
      paper.fillStyle = `rgb(${level.map(Math.floor).join(" ")})`;
      paper.fillRect(x0, y0, x1 - x0, y1 - y0);
    }
  }
}
