// The pixel window: true pixels around the point in hand, magnified without smoothing, with the line
// through it, the edge profile across it, and nudges by 0.1 px. Without a point in hand it follows
// the pointer. Drawn once per screen frame from what is at hand; the network is never waited for.

import { button, el, freshId, put, whenRatioChanges } from "./dom.js";
import { edgeProfile } from "./edge_profile.js";
import { currentFit, fittedPoints } from "./fit_key.js";
import { onToTheFrame } from "./form_parts.js";
import { kindOf, labelOf, pointsOf } from "./mark_kinds.js";
import { outlineOf, through } from "./mark_shapes.js";
import { fixed } from "./numbers.js";
import { numberOf } from "./plain.js";
import { TruePixels } from "./true_pixels.js";

const ACROSS_PX = 33; // picture px across the window
const DOWN_PX = 17; // at least so many rows of them
const CASING = "rgb(10 14 18 / 0.8)";

class PixelWindow {
  /** @param {HTMLElement} root @param {any} ctx */
  constructor(root, ctx) {
    this.ctx = ctx;
    this.canvas = /** @type {HTMLCanvasElement} */ (
      el("canvas", { class: "pixel-canvas", role: "img", "aria-label": "True pixels" })
    );
    this.title = el("p", { class: "pixel-title" });
    this.profile = edgeProfile();
    this.fields = coordinateFields(ctx);
    put(root, this.title, this.canvas, this.profile.node, this.fields.node);
    this.pixels = new TruePixels(ctx, () => this.drawSoon());
    this.last = null; // where it looked last, and in which clip
    this.lastClip = null;
    this.due = 0;
    ctx.store.subscribe(() => this.drawSoon(), ["marks", "ui", "loaded", "fits", "clip"]);
    ctx.view.subscribe((what) => what !== "transform" && this.drawSoon());
    ctx.clock.subscribe(() => this.drawSoon());
    ctx.frames.subscribe(() => this.drawSoon()); // or a frame that cannot be had would be awaited for ever
    new ResizeObserver(() => this.resize()).observe(this.canvas);
    whenRatioChanges(() => this.resize());
  }

  resize() {
    const { clientWidth, clientHeight } = this.canvas;
    this.canvas.width = Math.max(1, Math.round(clientWidth * devicePixelRatio));
    this.canvas.height = Math.max(1, Math.round(clientHeight * devicePixelRatio));
    this.drawSoon();
  }

  drawSoon() {
    this.due ||= requestAnimationFrame(() => {
      this.due = 0;
      this.draw();
    });
  }

  /** Where to look, what that is called, and the line through it. */
  place() {
    const { store, view, edit } = this.ctx;
    const { hand } = store.ui;
    const held = edit?.handPoint;
    if (held) {
      const kind = kindOf(hand.mark);
      const points = pointsOf(store.draft.marks, hand.mark);
      return { at: held, id: hand.mark, kind, points, text: `${labelOf(hand.mark)}, ${kind.points[hand.point]}`,
        along: alongOf(kind, points, hand.point) };
    }
    const { name, at, points } = edit.placing;
    if (name && (at || points.length)) {
      const kind = kindOf(name);
      const here = at ?? points[points.length - 1];
      const all = points.length && at ? [...points, at] : points;
      const along = points.length ? alongOf(kind, all, all.length - 1) : null;
      return { at: here, id: null, kind, points: all, along, text: `${kind.label}, ${edit.placing.next}` };
    }
    if (view.pointer) return { at: view.inside(view.pointer), id: null, kind: null, points: [], text: "under the pointer" };
    return this.last && this.lastClip === store.clip.sha ? { ...this.last, text: "where you last looked" } : null;
  }

  draw() {
    const { store, clock, view } = this.ctx;
    const paper = this.canvas.getContext("2d");
    paper.setTransform(1, 0, 0, 1, 0, 0);
    paper.clearRect(0, 0, this.canvas.width, this.canvas.height);
    const place = store.clip?.facts ? this.place() : null;
    const rival = place?.id && currentFit(store, place.id)?.lines.some((line) => line.runner_up_line);
    this.fields.show(place?.id ? place.at : null, Boolean(rival));
    if (!place) {
      this.say(store.clip?.facts ? "True pixels: point at the picture" : "True pixels", "True pixels around a point appear here.");
      this.profile.clear("");
      return;
    }
    this.last = { at: place.at, id: null, kind: null, points: [] };
    this.lastClip = store.clip.sha;
    const { at } = place;
    this.aim(paper, at);
    const crop = this.drawPixels(paper, at, clock.ordinal);
    const fitted = place.id ? this.fittedOf(place.id) : null;
    this.drawOverlay(paper, place, fitted);
    const where = `${fixed(at.x, 1)}, ${fixed(at.y, 1)}`;
    this.say(place.text, `True pixels around ${where}: ${place.text}`);
    if (crop) this.profile.draw(crop, at, place.along ?? null, fitted?.[0] ?? null);
    else this.profile.clear(this.whyNoPixels(at));
    window.dispatchEvent(
      new CustomEvent("clipmark:pixels", { detail: { ...at, sharp: crop !== null, at: performance.now() } }),
    );
  }

  /** From here on the paper is in picture coordinates, the point in its middle. */
  aim(paper, at) {
    const { aspect } = this.ctx.view.port.picture;
    this.perPx = Math.min(this.canvas.width / ACROSS_PX, this.canvas.height / DOWN_PX);
    const [sx, sy] = [this.perPx * Math.max(1, aspect), this.perPx * Math.max(1, 1 / aspect)];
    paper.setTransform(sx, 0, 0, sy, this.canvas.width / 2 - at.x * sx, this.canvas.height / 2 - at.y * sy);
  }

  /** @returns {any} the crop of true pixels, or null while there is none */
  drawPixels(paper, at, ordinal) {
    const { frames, clock, view, store } = this.ctx;
    if (clock.playing) return null;
    paper.imageSmoothingEnabled = false;
    const shown = frames.get(ordinal);
    if (shown) {
      const { width, height } = store.clip.facts;
      paper.drawImage(shown.bitmap, -0.5, -0.5, width, height); // until the true pixels are here
    }
    if (!view.exactHere) return null;
    this.pixels.want(ordinal, at);
    const crop = this.pixels.get(ordinal);
    if (!crop) return null;
    paper.drawImage(crop.canvas, crop.x - 0.5, crop.y - 0.5);
    const inCrop = at.x >= crop.x && at.x < crop.x + crop.w && at.y >= crop.y && at.y < crop.y + crop.h;
    return inCrop ? crop : null;
  }

  whyNoPixels(at) {
    const { clock, frames, view } = this.ctx;
    if (clock.playing) return "not while the clip runs";
    if (frames.problem(clock.ordinal)) return "this frame has no true pixels";
    if (!view.exactHere) return "the exact picture is coming";
    return this.pixels.isRefused(clock.ordinal, at) ? "no true pixels here" : "true pixels are coming";
  }

  fittedOf(id) {
    const fit = currentFit(this.ctx.store, id);
    return fit?.lines.length ? fit.lines.map(fittedPoints) : null;
  }

  drawOverlay(paper, { at, kind, points }, fitted) {
    const { perPx } = this;
    const stroke = (path, colour, width, dash = []) => {
      paper.setLineDash(dash.map((px) => px / perPx));
      paper.lineWidth = (width * devicePixelRatio) / perPx;
      paper.strokeStyle = colour;
      paper.stroke(path);
    };
    if (kind && points.length > 1) {
      const look = { scale: { x: perPx, y: perPx }, rimPx: this.ctx.store.draft.marks.rim_px };
      const outline = new Path2D(outlineOf(kind, points, look));
      stroke(outline, CASING, 2.5);
      stroke(outline, kind.colour, 1.2, [7, 4].map((px) => px * devicePixelRatio));
    }
    for (const line of fitted ?? []) {
      const path = new Path2D(through(line));
      stroke(path, CASING, 2.5);
      stroke(path, "#ffffff", 1);
    }
    const [near, far] = [1.1, 5];
    const cross = new Path2D(
      `M${at.x - far} ${at.y}h${far - near}M${at.x + near} ${at.y}h${far - near}` +
        `M${at.x} ${at.y - far}v${far - near}M${at.x} ${at.y + near}v${far - near}`,
    );
    stroke(cross, CASING, 3.5);
    stroke(cross, "#ffffff", 1.4);
  }

  say(title, label) {
    if (this.title.textContent !== title) put(this.title, title);
    if (this.canvas.getAttribute("aria-label") !== label) this.canvas.setAttribute("aria-label", label);
  }
}

/** Direction of the line through a point of a mark; null for what has no line. */
function alongOf(kind, points, point) {
  if (kind.shape !== "line" && kind.shape !== "sheet") return null;
  const other = points[(point + 1) % points.length];
  const here = points[point];
  return other && here ? { x: other.x - here.x, y: other.y - here.y } : null;
}

/** Position of the point in hand as numbers, and nudges by a tenth of a pixel. */
function coordinateFields(ctx) {
  const field = (axis) => {
    const id = freshId(`pixel-${axis}`);
    const input = /** @type {HTMLInputElement} */ (
      el("input", { id, inputmode: "decimal", size: 8, autocomplete: "off", on: { change: () => commit(axis, input) } })
    );
    const show = () => {
      const at = ctx.edit.handPoint;
      input.value = at ? placeText(at[axis]) : "";
    };
    // The change, if any, is taken on leaving.
    input.addEventListener("keydown", onToTheFrame(ctx.view, { take: () => true, leave: show }));
    return { input, node: el("span", { class: "pixel-field" }, el("label", { for: id }, axis, el("span", { class: "unseen" }, ", px")), input) };
  };
  const x = field("x");
  const y = field("y");
  const commit = (axis, input) => {
    const at = ctx.edit.handPoint;
    if (!at) return;
    const value = numberOf(input.value);
    const { width, height } = ctx.store.clip.facts;
    const last = (axis === "x" ? width : height) - 1;
    if (value >= -0.5 && value <= last + 0.5) { // a pixel reaches half a px around its middle
      ctx.edit.moveHand({ ...at, [axis]: value }, false);
    } else {
      ctx.notices.say(`${axis} takes a number of px from 0 to ${last}, but "${input.value.trim()}" was given; the point stays where it was.`, "refusal");
    }
    input.value = placeText(ctx.edit.handPoint[axis]);
  };
  const nudge = (text, label, dx, dy) =>
    button(text, () => ctx.edit.nudge(dx, dy), { class: "pixel-nudge", "aria-label": `${label} by 0.1 px`, title: `${label} by 0.1 px` });
  const nudges = [
    nudge("←", "left", -0.1, 0), nudge("↑", "up", 0, -0.1), nudge("↓", "down", 0, 0.1), nudge("→", "right", 0.1, 0),
  ];
  const fit = button("Edge fit", () => ctx.actions.run("fit-edge"), { class: "pixel-fit" });
  const rival = button("Runner-up", () => ctx.actions.run("take-runner-up"), {
    class: "pixel-fit", hidden: true, title: "Another edge lies near; take it instead",
  });
  const node = el("div", { class: "pixel-hand", role: "group", "aria-label": "Point in hand" },
    el("div", { class: "pixel-fields" }, x.node, y.node, el("span", { class: "soft small", "aria-hidden": "true" }, "px")),
    el("div", { class: "pixel-nudges" }, nudges), fit, rival);

  return {
    node,
    /** @param {{x: number, y: number}|null} at @param {boolean} hasRival */
    show(at, hasRival) {
      rival.hidden = !hasRival;
      for (const control of [...nudges, fit, x.input, y.input]) control.disabled = at === null;
      for (const [{ input }, value] of [[x, at?.x], [y, at?.y]]) {
        if (document.activeElement === input && at) continue; // being typed
        const text = at ? placeText(value) : "";
        if (input.value !== text) input.value = text;
      }
    },
  };
}

/** As it is kept, to a thousandth, but at least to a tenth. */
function placeText(px) {
  const text = String(Math.round(px * 1000) / 1000);
  return text.includes(".") ? text : `${text}.0`;
}

/** @param {HTMLElement} root the region `#pixels` @param {any} ctx */
export function mount(root, ctx) {
  ctx.pixels = new PixelWindow(root, ctx);
}
