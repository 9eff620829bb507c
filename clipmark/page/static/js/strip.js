/**
 * The motion strip, which is the scrubber: one goes by what happened, over time as recorded or
 * over distance travelled. Pressing, dragging, wheel, pinch, and the keyboard all work on it.
 */

import { button, el, put, svg } from "./dom.js";
import { seconds } from "./numbers.js";
import { StripScale } from "./strip_scale.js";
import { callLane, namedApart } from "./strip_calls.js";
import { LEFT_PX, RIGHT_PX, drawStrip, placedCalls } from "./strip_draw.js";
import { mountHandles } from "./strip_handles.js";
import { Places, modelOf } from "./strip_model.js";
import { followPointers } from "./strip_touch.js";
import { wheelPx, zoomFactor } from "./wheel.js";

const CLOSER = 1.6;
const PAGE_FRAMES = 10;
const CLOSEST_FRAMES = 12; // across the strip

/**
 * Fill the region.
 *
 * @param {HTMLElement} root
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const strip = new Strip(root, ctx);
  strip.start();
}

class Strip {
  constructor(root, ctx) {
    this.ctx = ctx;
    this.root = root;
    this.wanted = "time";
    this.model = modelOf(ctx.store);
    this.places = new Places(this.model, this.wanted);
    this.scale = new StripScale(this.places.axis);
    this.clip = null;
    this.waiting = false;
    this.build();
  }

  build() {
    const { actions } = this.ctx;
    this.paper = svg("svg", { class: "strip-drawing", "aria-hidden": "true" });
    this.place = el("div", { class: "strip-place" }, el("span", { class: "strip-place-tag figures" }));
    this.track = el(
      "div",
      { class: "strip-track", role: "slider", tabindex: "0", "aria-label": "Motion strip: the frame shown", "aria-valuemin": "0" },
      this.paper,
      this.place,
    );
    this.handles = mountHandles(this.ctx, this);
    this.axisButton = button("over travel", () => this.turnAxis(), { "aria-pressed": "false" });
    this.slot = el("div", { class: "strip-slot" }); // crawl_run.js: the run and its numbers
    const zoom = el(
      "div",
      { class: "strip-zoom", role: "group", "aria-label": "Strip" },
      this.axisButton,
      button("+", () => this.zoom(CLOSER), { "aria-label": "+: strip closer", title: "Strip closer" }),
      button("\u2212", () => this.zoom(1 / CLOSER), { "aria-label": "\u2212: strip wider", title: "Strip wider" }),
      button("whole", () => this.whole(), { "aria-label": "whole strip", title: "Whole strip" }),
    );
    this.lane = callLane();
    this.hint = el("p", { class: "strip-hint soft small" });
    this.frame = el("div", { class: "strip-frame" }, this.track, this.lane.node, this.handles.node, this.hint);
    put(this.root, el("div", { class: "strip-head" }, this.slot, zoom), this.frame);
    actions.add({ name: "strip-axis", label: "Strip over time or over travel", group: "Strip", run: () => this.turnAxis() });
  }

  start() {
    const { store, clock } = this.ctx;
    store.subscribe(() => this.redrawSoon(), [
      "draft", "marks", "calls", "readings", "loaded", "clip", "ui", "details", "event",
    ]);
    clock.subscribe(() => this.showPlace());
    new ResizeObserver(() => this.redrawSoon()).observe(this.frame);
    this.track.addEventListener("keydown", (event) => this.onKey(event));
    this.track.addEventListener("wheel", (event) => this.onWheel(event), { passive: false });
    followPointers(this.track, {
      scrub: (x) => this.scrub(x),
      pinch: (factor, x) => this.zoom(factor, this.scale.value(x)),
      pan: (px) => this.pan(px),
    });
    this.redraw();
  }

  redrawSoon() {
    if (!this.waiting) {
      this.waiting = true;
      requestAnimationFrame(() => {
        this.waiting = false;
        this.redraw();
      });
    }
  }

  redraw() {
    const { store } = this.ctx;
    this.model = modelOf(store);
    this.places = new Places(this.model, this.wanted);
    const size = { width: this.frame.clientWidth, height: this.frame.clientHeight };
    this.scale.setAxis(this.model.frames ? this.places.axis : { kind: "time", first: 0, last: 1, unit: "s" });
    this.scale.setSize(LEFT_PX, size.width - LEFT_PX - RIGHT_PX);
    this.scale.leastSpan = this.scale.wholeSpan * Math.min(1, CLOSEST_FRAMES / Math.max(1, this.model.frames));
    if (this.isDrawn(size)) {
      this.showPlace();
      return;
    }
    if (this.model.frames > 0) {
      const names = namedApart(placedCalls(this.model, this.places, this.scale), size.width);
      drawStrip(this.paper, size, this.model, this.places, this.scale, names);
      this.lane.draw(names);
    } else {
      put(this.paper);
      this.lane.draw([]);
    }
    const canTravel = new Places(this.model, "travel").kind === "travel";
    this.axisButton.setAttribute("aria-pressed", String(this.places.kind === "travel"));
    this.axisButton.setAttribute("aria-disabled", String(!canTravel));
    this.axisButton.title = canTravel ? "" : "Once the crawl is measured";
    this.hint.textContent = hintOf(this.model);
    this.showPlace();
  }

  /** Whether the drawing shows all this already: marks move on the frame far more often than on the strip. */
  isDrawn(size) {
    const { model, scale, wanted } = this;
    const { readings } = this.ctx.store;
    const now = [
      size.width, size.height, scale.from, scale.to, wanted, model.frames, model.times_s, model.trace, model.stale,
      model.followed, model.calls, model.span, model.proposed, model.odd.join(), readings.crawl, readings.tilt, readings.climb, model.motion, model.tilt,
    ];
    const same = this.drawn?.every((value, index) => value === now[index]) ?? false;
    this.drawn = now;
    return same;
  }

  /** Move what shows the current place; nothing else is drawn anew while a clip runs. */
  showPlace() {
    const { clock } = this.ctx;
    const { frames } = this.model;
    this.track.setAttribute("aria-disabled", String(frames === 0));
    this.track.setAttribute("aria-valuemax", String(Math.max(0, frames - 1)));
    this.track.setAttribute("aria-valuenow", String(clock.ordinal));
    this.track.setAttribute("aria-valuetext", frames ? `frame ${clock.ordinal}, ${seconds(clock.tOf(clock.ordinal))}` : "no clip");
    this.place.hidden = frames === 0;
    if (frames === 0) {
      this.handles.update();
      return;
    }
    const value = this.places.ofFrame(clock.ordinal);
    if (this.scale.zoomed && (value < this.scale.from || value > this.scale.to)) {
      this.scale.follow(value);
      this.redrawSoon();
    }
    const x = this.scale.x(value);
    this.place.style.transform = `translateX(${x}px)`;
    this.place.dataset.side = x > this.frame.clientWidth - 130 ? "left" : "right";
    this.place.firstElementChild.textContent = `${clock.ordinal} · ${seconds(clock.tOf(clock.ordinal))}`;
    this.handles.update();
  }

  /** Go to the frame under a px of the track. */
  scrub(x) {
    if (this.model.frames > 0) {
      this.ctx.clock.goto(this.places.frameAt(this.scale.value(x)));
    }
  }

  zoom(factor, about = this.places.ofFrame(this.ctx.clock.ordinal)) {
    if (this.model.frames > 0) {
      this.scale.zoom(factor, about);
      this.redrawSoon();
    }
  }

  pan(px) {
    if (this.model.frames === 0) {
      return;
    }
    this.scale.pan(px);
    this.redrawSoon();
  }

  whole() {
    this.scale.whole();
    this.redrawSoon();
  }

  turnAxis() {
    const other = this.wanted === "travel" ? "time" : "travel";
    if (other === "travel" && new Places(this.model, "travel").kind !== "travel") {
      this.ctx.notices.say("Travel is known once the crawl is measured.");
      return;
    }
    this.wanted = other;
    this.redraw();
  }

  onKey(event) {
    const { clock } = this.ctx;
    const steps = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: PAGE_FRAMES, PageDown: -PAGE_FRAMES };
    if (event.ctrlKey || event.altKey || event.metaKey || event.shiftKey) {
      return;
    }
    if (event.key in steps) {
      clock.step(steps[event.key]);
    } else if (event.key === "Home") {
      clock.goto(0);
    } else if (event.key === "End") {
      clock.goto(this.model.frames - 1);
    } else {
      return;
    }
    event.preventDefault();
  }

  onWheel(event) {
    event.preventDefault();
    const { x, y } = wheelPx(event);
    if (Math.abs(x) > Math.abs(y) || event.shiftKey) {
      this.pan(x || y);
    } else {
      const at = event.clientX - this.track.getBoundingClientRect().left;
      this.zoom(zoomFactor(event), this.scale.value(at));
    }
  }
}

function hintOf(model) {
  if (!model.frames) {
    return "No clip: nothing to step through.";
  }
  if (!model.times_s) {
    return "This clip has no times: the strip counts frames.";
  }
  if (model.stalls.length && !model.trace) {
    return "The speed is drawn when the crawl is measured again.";
  }
  return "";
}
