// The frame on the stage: the picture on a canvas, the marks' SVG over it in picture coordinates.
//
// Nothing is painted under another frame's name: the canvas says which frame it shows
// (data-ordinal) and whether it is the exact one (data-exact); where that is not the frame the clock
// names, a note says so.

import { mountEmptyStage } from "./empty_stage.js";
import { addViewActions } from "./view_actions.js";
import { el, put, svg, whenRatioChanges } from "./dom.js";
import { watchPointers } from "./pointers.js";
import { Viewport } from "./viewport.js";

const WAIT_MS = 160; // a picture that comes sooner needs no note
const DAMAGED = "The file is damaged here: parts of this frame may be made up by the decoder; mark on a sound frame.";
const CRISP_FROM = 2; // screen px per picture px from which pixels are shown as they are

/** The picture on the stage, and where a place in it is on the screen. */
export class FrameView {
  /** @param {HTMLElement} stage @param {any} ctx */
  constructor(stage, ctx) {
    this.ctx = ctx;
    this.stage = stage;
    this.canvas = /** @type {HTMLCanvasElement} */ (stage.querySelector("#picture"));
    this.svg = /** @type {SVGSVGElement} */ (stage.querySelector("#marks"));
    this.layer = svg("g", { class: "picture-space" });
    this.svg.append(this.layer);
    this.note = el("p", { class: "frame-note", role: "status", hidden: true });
    stage.append(this.note);
    this.port = new Viewport();
    this.listeners = new Set();
    this.painted = null; // {ordinal, exact}
    this.drawn = null; // the Picture on the canvas
    this.pointer = null; // picture position under the pointer
    this.drawing = 0;
    this.waitingSince = 0;
  }

  /** @param {(what: "transform"|"painted"|"pointer") => void} fn */
  subscribe(fn) {
    this.listeners.add(fn);
    return () => this.listeners.delete(fn);
  }

  tell(what) {
    for (const fn of [...this.listeners]) fn(what);
  }

  /** Where the drawing begins in the window: within the stage's border. */
  get corner() {
    const box = this.stage.getBoundingClientRect();
    return { x: box.left + this.stage.clientLeft, y: box.top + this.stage.clientTop };
  }

  /** Picture position of a place in the window. */
  toPicture(clientX, clientY) {
    const { x, y } = this.corner;
    return this.port.toPicture(clientX - x, clientY - y);
  }

  /** Place in the window of a picture position; for those who point at one. */
  toScreen(x, y) {
    const { x: left, y: top } = this.corner;
    const at = this.port.toStage(x, y);
    return { x: at.x + left, y: at.y + top };
  }

  /** CSS px per picture px, sideways and upwards. */
  get scale() {
    return { x: this.port.scale * this.port.picture.aspect, y: this.port.scale };
  }

  /** Whether the exact picture of the frame that the clock names is what is seen. */
  get exactHere() {
    const { clock } = this.ctx;
    return !clock.playing && this.painted?.exact === true && this.painted.ordinal === clock.ordinal;
  }

  /** Nearest position within the picture. */
  inside({ x, y }) {
    const { width, height } = this.port.picture;
    return {
      x: Math.max(-0.5, Math.min(width - 0.5, x)),
      y: Math.max(-0.5, Math.min(height - 0.5, y)),
    };
  }

  focus() {
    this.stage.focus({ preventScroll: true });
  }

  zoomAt(factor, clientX, clientY) {
    const { x, y } = this.corner;
    this.port.zoomAt(factor, clientX - x, clientY - y);
    this.moved();
  }

  pinch(factor, clientX, clientY, dx, dy) {
    const { x, y } = this.corner;
    this.port.pinch(factor, clientX - x, clientY - y, dx, dy);
    this.moved();
  }

  /** Zoom about what is in hand, or else the middle. */
  zoom(factor, about = null) {
    const { width, height } = this.port.stage;
    const middle = { x: width / 2, y: height / 2 };
    const at = about ? this.port.toStage(about.x, about.y) : middle;
    this.port.zoomAt(factor, at.x, at.y);
    // a point at the edge comes inwards, so that what is around it is seen as well
    if (about && factor > 1) this.port.panBy((middle.x - at.x) / 2, (middle.y - at.y) / 2);
    if (about) this.port.reveal(about);
    this.moved();
  }

  panBy(dx, dy) {
    this.port.panBy(dx, dy);
    this.moved();
  }

  showWhole() {
    this.port.showWhole();
    this.moved();
  }

  reveal(point) {
    this.port.reveal(point);
    this.moved();
  }

  /** The stage or the view of it changed: the layer goes along, the canvas is drawn anew. */
  moved() {
    const { left, top, scale, picture } = this.port;
    const sx = scale * picture.aspect;
    this.layer.setAttribute(
      "transform",
      `matrix(${sx} 0 0 ${scale} ${left + 0.5 * sx} ${top + 0.5 * scale})`,
    );
    this.ctx.frames.setNeed(Math.ceil(picture.width * sx * devicePixelRatio));
    this.tell("transform");
    this.drawSoon();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.stage;
    this.canvas.width = Math.max(1, Math.round(width * devicePixelRatio));
    this.canvas.height = Math.max(1, Math.round(height * devicePixelRatio));
    this.canvas.style.width = `${width}px`;
    this.canvas.style.height = `${height}px`;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.port.setStage(width, height);
    this.moved();
    this.draw(); // a canvas whose size was set is empty until then
  }

  follow() {
    const facts = this.ctx.store.clip?.facts;
    const same = facts && this.shownClip === this.ctx.store.clip.sha;
    if (same) return;
    this.shownClip = facts ? this.ctx.store.clip.sha : null;
    this.painted = null;
    this.drawn = null;
    if (facts) this.port.setPicture(facts.width, facts.height, facts.pixel_aspect || 1);
    this.moved();
    this.draw();
  }

  drawSoon() {
    if (this.drawing) return;
    this.drawing = requestAnimationFrame(() => this.draw());
  }

  /** Which picture to show now, or null to leave what is there. */
  choose() {
    const { clock, frames } = this.ctx;
    const named = frames.get(clock.ordinal);
    if (named) return named;
    if (clock.playing) return this.latestUpTo(clock.ordinal);
    const standIn = frames.standIn();
    if (!standIn) return null;
    const away = (ordinal) => Math.abs(ordinal - clock.ordinal);
    return !this.painted || away(standIn.ordinal) < away(this.painted.ordinal) ? standIn : null;
  }

  /** While running: the newest picture that is due and not yet shown. */
  latestUpTo(ordinal) {
    const shown = this.painted?.ordinal ?? -1;
    const least = Math.max(shown + 1, ordinal - 30);
    for (let k = ordinal - 1; k >= least; k -= 1) {
      const found = this.ctx.frames.get(k);
      if (found) return found;
    }
    return null;
  }

  draw() {
    cancelAnimationFrame(this.drawing);
    this.drawing = 0;
    if (!this.shownClip) {
      this.clear();
      this.sayWhatIsSeen();
      return;
    }
    let picture = this.choose();
    if (!picture && this.painted) {
      const { ordinal } = this.painted;
      picture = this.ctx.frames.get(ordinal);
      if (!picture) this.painted = null; // let go from memory: it cannot be drawn again
    }
    if (!picture) this.clear();
    else this.paint(picture);
    this.sayWhatIsSeen();
  }

  clear() {
    this.canvas.getContext("2d").clearRect(0, 0, this.canvas.width, this.canvas.height);
    delete this.canvas.dataset.ordinal;
    this.canvas.dataset.exact = "no";
  }

  paint({ bitmap, ordinal, exact }) {
    const { port, canvas } = this;
    const paper = canvas.getContext("2d");
    const ratio = devicePixelRatio;
    const perPx = port.picture.width / bitmap.width; // picture px in one pixel of the bitmap
    const { left, top, right, bottom } = port.visible;
    // whole bitmap pixels around what is seen: nothing outside is scaled for nothing
    const x0 = Math.max(0, Math.floor((left + 0.5) / perPx) - 1);
    const y0 = Math.max(0, Math.floor((top + 0.5) / perPx) - 1);
    const x1 = Math.min(bitmap.width, Math.ceil((right + 0.5) / perPx) + 1);
    const y1 = Math.min(bitmap.height, Math.ceil((bottom + 0.5) / perPx) + 1);
    const sx = port.scale * port.picture.aspect * perPx * ratio;
    const sy = port.scale * (port.picture.height / bitmap.height) * ratio;
    paper.imageSmoothingEnabled = !(perPx <= 1 && sy > CRISP_FROM);
    paper.clearRect(0, 0, canvas.width, canvas.height);
    paper.drawImage(
      bitmap, x0, y0, x1 - x0, y1 - y0,
      port.left * ratio + x0 * sx, port.top * ratio + y0 * sy, (x1 - x0) * sx, (y1 - y0) * sy,
    );
    canvas.dataset.ordinal = String(ordinal);
    canvas.dataset.exact = exact ? "yes" : "no";
    const news = this.painted?.ordinal !== ordinal || this.painted?.exact !== exact;
    this.painted = { ordinal, exact };
    if (!news) return;
    this.tell("painted");
    // in the frame after this drawing the picture has been handed to the screen
    requestAnimationFrame(() => {
      const detail = { ordinal, exact, at: performance.now() };
      window.dispatchEvent(new CustomEvent("clipmark:painted", { detail }));
    });
  }

  /** The note on the picture when it is not the exact one of the frame named. */
  sayWhatIsSeen() {
    const { clock, frames, store } = this.ctx;
    clearTimeout(this.noteTimer);
    if (!this.shownClip) {
      this.setNote(store.clip?.sentence ?? null); // a file that cannot be read says why
      return;
    }
    if (clock.playing || this.exactHere) {
      const damaged = !clock.playing && frames.get(clock.ordinal)?.damaged;
      this.setNote(damaged ? DAMAGED : null);
      return;
    }
    const problem = frames.problem(clock.ordinal);
    if (problem) {
      const kept = this.painted?.ordinal === clock.ordinal;
      const what = kept ? "a small picture kept of it" : `frame ${this.painted?.ordinal}`;
      const seen = this.painted ? ` Seen here is ${what}.` : "";
      this.setNote(`Frame ${clock.ordinal} has no exact picture. ${problem}${seen}`);
      return;
    }
    if (this.painted && this.painted.ordinal !== clock.ordinal && !this.painted.exact) {
      this.setNote(`Nearest picture kept: frame ${this.painted.ordinal}; frame ${clock.ordinal} is coming.`);
      return;
    }
    if (this.note.hidden) {
      this.noteTimer = setTimeout(() => this.sayWait(), WAIT_MS);
    } else {
      this.sayWait();
    }
  }

  sayWait() {
    const { clock } = this.ctx;
    if (this.exactHere || clock.playing) return;
    if (this.painted?.ordinal === clock.ordinal) {
      this.setNote(`Frame ${clock.ordinal} as it was kept; the exact picture is coming.`);
    } else {
      const seen = this.painted ? ` Seen here is frame ${this.painted.ordinal}.` : "";
      this.setNote(`Frame ${clock.ordinal} is coming.${seen}`);
    }
  }

  setNote(text) {
    this.note.hidden = !text;
    if (text && this.note.textContent !== text) put(this.note, text);
  }
}

/** @param {HTMLElement} root the region `#stage` @param {any} ctx */
export function mount(root, ctx) {
  const view = new FrameView(root, ctx);
  ctx.view = view;
  root.tabIndex = 0;
  view.pointers = watchPointers(view);
  mountEmptyStage(root, ctx);
  addViewActions(ctx);
  ctx.store.subscribe(() => view.follow(), ["clip"]);
  ctx.clock.subscribe(() => view.draw());
  ctx.frames.subscribe(() => view.drawSoon());
  new ResizeObserver(() => view.resize()).observe(root);
  whenRatioChanges(() => view.resize());
  view.resize();
  view.follow();
  return view;
}
