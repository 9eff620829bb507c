// Marks over the picture, as SVG in picture coordinates: a dark casing under a coloured line with
// its own dash, a label, and handles that can be reached by keyboard.
//
// Nodes of a mark stay the same while it moves, so that focus and a running drag are kept.

import { svg } from "./dom.js";
import { currentFit, fitUDeg, fittedPoints } from "./fit_key.js";
import { placeNames } from "./label_places.js";
import { frameOf, kindOf, labelOf, markedIds, pointsOf } from "./mark_kinds.js";
import { bandOf, ellipse, labelPlace, outlineOf, through } from "./mark_shapes.js";
import { decimalsFor, fixed } from "./numbers.js";

const CHARACTER_PX = 7.5; // of a name, on the average
const NUMBER_ROOM_PX = 24; // over a corner, for its number
const BASELINE_PX = 4; // under the middle of the letters

/** The marks as they are drawn over the picture. */
export class MarksDrawing {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.layer = ctx.view.layer;
    /** @type {Map<string, MarkNodes>} */
    this.nodes = new Map();
    this.placing = null; // {name, points} while a mark is placed
    this.placed = null; // nodes of it
    this.cross = crossNodes();
    this.layer.append(this.cross);
    const update = () => this.update();
    ctx.store.subscribe(update, ["marks", "loaded", "ui", "fits", "clip"]);
    ctx.view.subscribe((what) => what !== "pointer" && update());
    ctx.clock.subscribe(update);
    update();
  }

  /** @param {{name: string, points: import("./mark_kinds.js").Point[]}|null} placing */
  showPlacing(placing) {
    this.placing = placing;
    this.update();
  }

  /** The keyboard's crosshair; null takes it away. */
  showCross(at) {
    this.crossAt = at;
    this.cross.toggleAttribute("hidden", !at);
    if (at) this.fixSize(this.cross, at);
  }

  /** A group keeps its size on the screen at any zoom. */
  fixSize(node, { x, y }) {
    const { scale } = this.ctx.view;
    node.setAttribute("transform", `translate(${x} ${y}) scale(${1 / scale.x} ${1 / scale.y})`);
  }

  update() {
    const { store, clock } = this.ctx;
    const { marks } = store.draft;
    const ids = store.clip?.facts ? markedIds(marks) : [];
    for (const [id, nodes] of this.nodes) {
      if (ids.includes(id)) continue;
      nodes.group.remove();
      this.nodes.delete(id);
    }
    this.layer.toggleAttribute("data-running", clock.playing);
    for (const id of ids) this.updateMark(id, marks);
    this.placeLabels(ids);
    this.updatePlacing();
    if (this.crossAt) this.fixSize(this.cross, this.crossAt);
    this.layer.append(this.cross);
  }

  updateMark(id, marks) {
    const { store, clock } = this.ctx;
    const kind = kindOf(id);
    let nodes = this.nodes.get(id);
    if (!nodes) {
      nodes = this.build(kind, id, kind.points.length);
      this.nodes.set(id, nodes);
    }
    const points = pointsOf(marks, id);
    const frame = frameOf(marks, id);
    const elsewhere = frame !== null && frame !== clock.ordinal;
    const fit = currentFit(store, id);
    nodes.group.toggleAttribute("data-elsewhere", elsewhere);
    this.shape(nodes, kind, points, marks);
    nodes.text = textOf(id, fit);
    this.handles(nodes, id, points, elsewhere);
    this.fitted(nodes, fit);
  }

  updatePlacing() {
    const { placing } = this;
    if (this.placed && this.placed.name !== placing?.name) {
      this.placed.group.remove();
      this.placed = null;
    }
    if (!placing || placing.points.length === 0) {
      this.placed?.group.toggleAttribute("hidden", true);
      return;
    }
    const kind = kindOf(placing.name);
    if (!this.placed) {
      this.placed = { ...this.build(kind, placing.name, 0), name: placing.name };
      this.placed.group.classList.add("placing");
      this.layer.append(this.placed.group);
    }
    this.placed.group.removeAttribute("hidden");
    this.shape(this.placed, kind, placing.points, this.ctx.store.draft.marks);
  }

  shape(nodes, kind, points, marks) {
    const outline = outlineOf(kind, points, { scale: this.ctx.view.scale, rimPx: marks.rim_px });
    nodes.casing.setAttribute("d", outline);
    nodes.line.setAttribute("d", outline);
  }

  /** Names beside the marks; the one in hand chooses its place first. @param {string[]} ids */
  placeLabels(ids) {
    const { store, view } = this.ctx;
    const { width, height } = view.port.stage;
    const held = store.ui.hand?.mark;
    const isSeen = ({ x, y }) => x > -24 && x < width + 24 && y > -24 && y < height + 24;
    const all = [...ids].sort((a, b) => Number(b === held) - Number(a === held)).map((id) => {
      const kind = kindOf(id);
      const points = pointsOf(store.draft.marks, id);
      const { at, outward } = labelPlace(kind, points, view.scale);
      const [first, ...others] = [at, ...points].map(({ x, y }) => view.port.toStage(x, y));
      const { label, text } = this.nodes.get(id);
      const width = text.length * CHARACTER_PX;
      return { label, text, at: first, outward, others, width, isNumbered: kind.shape === "sheet" };
    });
    const shown = all.filter(({ label, at }) => {
      label.toggleAttribute("hidden", !isSeen(at));
      return isSeen(at);
    });
    const corners = all.filter(({ isNumbered }) => isNumbered).flatMap(({ others }) => others.map(numberPlace));
    const places = placeNames(shown, view.port.stage, [...all.flatMap(({ others }) => others), ...corners]);
    shown.forEach(({ label, text }, index) => {
      if (label.textContent !== text) label.textContent = text;
      const { x, y } = places[index];
      this.fixSize(label, view.port.toPicture(x, y + BASELINE_PX));
    });
  }

  handles(nodes, id, points, elsewhere) {
    const { hand } = this.ctx.store.ui;
    nodes.handles.forEach((handle, index) => {
      const point = points[index];
      this.fixSize(handle, point);
      const place = this.ctx.view.port.toStage(point.x, point.y);
      handle.querySelector(".handle-number")?.setAttribute("y", numberPlace(place).y - place.y + BASELINE_PX);
      const held = hand?.mark === id && hand.point === index;
      handle.toggleAttribute("data-held", held);
      handle.setAttribute("aria-pressed", String(held));
      handle.setAttribute("aria-disabled", String(elsewhere));
      const where = `${fixed(point.x, 1)}, ${fixed(point.y, 1)}`;
      handle.setAttribute("aria-label", `${labelOf(id)}, ${kindOf(id).points[index]}, at ${where} px`);
    });
    nodes.group.toggleAttribute("data-held", hand?.mark === id);
  }

  fitted(nodes, fit) {
    const paths = { band: "", fitCasing: "", fit: "", rivalCasing: "", rival: "" };
    let rivalAt = null;
    for (const line of fit?.lines ?? []) {
      const points = fittedPoints(line);
      paths.fit += through(points);
      if (Number.isFinite(line.u_angle_deg)) paths.band += bandOf(points, line.u_angle_deg, line.u_offset_px);
      if (line.runner_up_line) {
        const [x1, y1, x2, y2] = line.runner_up_line;
        paths.rival += through([{ x: x1, y: y1 }, { x: x2, y: y2 }]);
        rivalAt = { x: x1 + (x2 - x1) * 0.25, y: y1 + (y2 - y1) * 0.25 };
      }
    }
    for (const hub of fit?.hubs ?? []) paths.fit += hubPath(hub, this.ctx.view.scale);
    paths.fitCasing = paths.fit;
    paths.rivalCasing = paths.rival;
    for (const [name, d] of Object.entries(paths)) nodes[name].setAttribute("d", d);
    nodes.rivalLabel.toggleAttribute("hidden", !rivalAt);
    if (rivalAt) this.fixSize(nodes.rivalLabel, rivalAt);
  }

  /** @returns {MarkNodes} */
  build(kind, id, handleCount) {
    const path = (name, more = {}) => svg("path", { class: name, ...more });
    const nodes = {
      casing: path("mark-casing"),
      line: path("mark-line", { stroke: kind.colour, "stroke-dasharray": kind.dash || null }),
      band: path("fit-band", { fill: kind.colour }),
      fitCasing: path("fit-casing"),
      fit: path("fit-line", { stroke: kind.colour }),
      rivalCasing: path("fit-rival-casing"),
      rival: path("fit-rival", { stroke: kind.colour }),
      rivalLabel: svg("g", { class: "mark-label", hidden: true }, svg("text", { y: 22 }, "runner-up")),
      label: svg("text", { class: "mark-label", "text-anchor": "middle" }),
      handles: Array.from({ length: handleCount }, (_, index) => this.buildHandle(kind, id, index)),
    };
    const { handles, ...parts } = nodes;
    const group = svg("g", { class: "mark", data: { mark: id } }, Object.values(parts), handles);
    this.layer.append(group);
    return { group, ...nodes };
  }

  buildHandle(kind, id, index) {
    const numbered = kind.shape === "sheet";
    const take = () => this.ctx.store.setUi({ tool: null, hand: { mark: id, point: index } });
    return svg(
      "g",
      {
        class: "handle", tabindex: 0, role: "button", data: { mark: id, point: index },
        on: { focus: take, click: take },
      },
      svg("circle", { class: "handle-reach" }),
      svg("circle", { class: "handle-focus", r: 13 }),
      svg("circle", { class: "handle-casing", r: 7 }),
      svg("circle", { class: "handle-ring", r: 7, stroke: kind.colour }),
      svg("path", { class: "handle-ticks", d: "M0-18V-9M0 18V9M-18 0H-9M18 0H9" }),
      numbered && svg("text", { class: "mark-label handle-number", x: 11, y: -9 }, index + 1),
    );
  }
}

/**
 * @typedef {{group: SVGElement, casing: SVGElement, line: SVGElement, label: SVGElement,
 *   handles: SVGElement[], band: SVGElement, fitCasing: SVGElement, fit: SVGElement,
 *   rivalCasing: SVGElement, rival: SVGElement, rivalLabel: SVGElement, text: string}} MarkNodes
 */

/** Middle of the number beside a corner: over it, or under it at the very top. @param {{x: number, y: number}} corner */
function numberPlace({ x, y }) {
  return { x: x + 15, y: y < NUMBER_ROOM_PX ? y + 16 : y - 13 };
}

function textOf(id, fit) {
  const parts = [labelOf(id)];
  const u = fitUDeg(fit);
  if (u !== null) parts.push(`u ${fixed(u, decimalsFor(u))}°`);
  else if (fit?.hubs.some((hub) => hub.u_px)) parts.push(`u ${hubU(fit.hubs)} px`);
  return parts.join(" · ");
}

function hubU(hubs) {
  const u = Math.max(...hubs.map((hub) => hub.u_px ?? 0));
  return fixed(u, decimalsFor(u));
}

function hubPath({ measured: [x, y], radius_px: radius }, scale) {
  const [dx, dy] = [5 / scale.x, 5 / scale.y];
  const cross = `M${x - dx} ${y}H${x + dx}M${x} ${y - dy}V${y + dy}`;
  return cross + (radius > 0 ? ellipse({ x, y }, radius, radius) : "");
}

function crossNodes() {
  const d = "M-26 0H-5M5 0H26M0-26V-5M0 5V26";
  return svg(
    "g",
    { class: "crosshair", hidden: true, "aria-hidden": "true" },
    svg("path", { class: "mark-casing", d }),
    svg("path", { class: "crosshair-line", d }),
  );
}
