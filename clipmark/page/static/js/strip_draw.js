/**
 * Drawing the motion strip: a chart recorder's paper with the speed on it, and what happened.
 */

import { put, svg } from "./dom.js";
import { fixed } from "./numbers.js";
import { PHASE_PX, floorNodes, pathOf, phaseNodes, proposedNodes, wheelNodes } from "./strip_layers.js";
import { thinned, ticks } from "./strip_scale.js";
import { tiltAxis, tiltNodes } from "./strip_tilt.js";

/** Room at the left of the paper for the speed's own scale, px. */
export const LEFT_PX = 46;
/** Room at the right of it, px. */
export const RIGHT_PX = 14;
const TOP_PX = 24; // lane of calls and handles
const AXIS_PX = 18;
const LEAST_PAPER_PX = 44; // that a lane of phases leaves
const TICK_APART_PX = 90;
const FRAME_TICKS_FROM_PX = 3;
const INSTANT_ROWS = 3; // of names of events
const ROW_PX = 13;
const CHARACTER_PX = 7; // of such a name, on the average
const NOTE_LETTER_PX = 6.6; // about
const NOTE_GAP_PX = 5;
const ODD_APART_PX = 5; // signs of damaged frames; a badly damaged clip has thousands

/**
 * Draw everything but the current place.
 *
 * @param {SVGElement} paper
 * @param {{width: number, height: number}} size px
 * @param {import("./strip_model.js").StripModel} model
 * @param {import("./strip_model.js").Places} places
 * @param {import("./strip_scale.js").StripScale} scale
 * @param {import("./strip_calls.js").Named[]} names  of the calls in view
 */
export function drawStrip(paper, size, model, places, scale, names) {
  const foot = size.height - AXIS_PX;
  const lane = model.phases.length && foot - TOP_PX - PHASE_PX >= LEAST_PAPER_PX ? PHASE_PX : 0;
  const area = { left: LEFT_PX, right: size.width - RIGHT_PX, top: TOP_PX, bottom: foot - lane, foot };
  paper.setAttribute("viewBox", `0 0 ${size.width} ${size.height}`);
  paper.setAttribute("width", size.width);
  paper.setAttribute("height", size.height);
  const inside = svg(
    "g",
    { "clip-path": "url(#strip-clip)" },
    ...phaseNodes(model, places, scale, area),
    ...floorOf(model, places, area), // under the names of stalls
    ...stallNodes(model, places, scale, area),
    ...traceNodes(model, places, scale, area),
    ...tiltNodes(model, places, scale, area),
    ...followedNodes(model, places, scale, area),
    ...outsideNodes(model, places, scale, area),
    ...proposedNodes(model, places, scale, area),
    ...frameTicks(model, places, scale, area),
    ...instantNodes(model, places, scale, area),
    ...callNodes(names, area),
  );
  put(paper, definitions(area), ...axisNodes(scale, area), ...speedAxis(model, area), ...tiltAxis(model, area), inside);
}

function definitions({ left, right, foot }) {
  return svg(
    "defs",
    {},
    svg("clipPath", { id: "strip-clip" }, svg("rect", { x: left, y: 0, width: Math.max(0, right - left), height: foot + 4 })),
    svg(
      "pattern",
      { id: "strip-hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
      svg("line", { class: "strip-hatch-line", x1: 0, x2: 0, y1: 0, y2: 7 }),
    ),
    svg(
      "pattern",
      { id: "strip-outside", width: 5, height: 5, patternUnits: "userSpaceOnUse" },
      svg("circle", { class: "strip-outside-dot", cx: 2.5, cy: 2.5, r: 0.9 }),
    ),
  );
}

function axisNodes(scale, { left, right, top, bottom, foot }) {
  const { values, decimals } = ticks(scale.from, scale.to, (right - left) / TICK_APART_PX);
  const { unit } = scale.axis;
  return [
    svg("rect", { class: "strip-paper", x: left, y: top, width: Math.max(0, right - left), height: Math.max(0, bottom - top) }),
    ...values.flatMap((value) => {
      const x = scale.x(value);
      const anchor = x > right - 30 ? "end" : x < left + 12 ? "start" : "middle";
      return [
        svg("line", { class: "strip-grid", x1: x, x2: x, y1: top, y2: foot + 4 }),
        svg("text", { class: "strip-tick", x, y: foot + 15, "text-anchor": anchor }, `${fixed(value, decimals)} ${unit}`),
      ];
    }),
  ];
}

/** Stretches of speed found already, by the lines drawn over a trace. @type {WeakMap<object, {low: number, high: number}>} */
const ranges = new WeakMap();

/** The stretch of speed that the strip's height stands for: body, wheels, noise floor. */
function speedRange(model) {
  const key = model.wheels.length ? model.wheels : model.trace; // both are new with a new reading
  if (!ranges.has(key)) {
    ranges.set(key, rangeOf(model));
  }
  return ranges.get(key);
}

function rangeOf({ trace, wheels, floor_mm_s: floor }) {
  let low = floor > 0 ? -1.96 * floor : 0;
  let high = Math.max(1, -low);
  const take = (least, most) => {
    low = Math.min(low, least);
    high = Math.max(high, most);
  };
  trace.v_mm_s.forEach((v, k) => {
    if (Number.isFinite(v)) {
      const u = trace.u_v_mm_s?.[k] ?? 0;
      take(v - u, v + u);
    }
  });
  wheels.forEach(({ values }) => values.forEach((value) => value !== null && take(value, value)));
  const margin = (high - low) * 0.06;
  return { low: low < 0 ? low - margin : 0, high: high + margin };
}

function speedAxis(model, area) {
  if (!model.trace) {
    return [];
  }
  const { low, high } = speedRange(model);
  const y = speedY(low, high, area);
  const { values, decimals } = ticks(low, high, 3);
  return [
    ...values.flatMap((value) => [
      svg("line", { class: value === 0 ? "strip-zero" : "strip-grid", x1: area.left, x2: area.right, y1: y(value), y2: y(value) }),
      svg("text", { class: "strip-tick", x: area.left - 5, y: y(value) + 4, "text-anchor": "end" }, fixed(value, decimals)),
    ]),
    svg("text", { class: "strip-tick", x: 2, y: area.top - 7 }, "mm/s"),
  ];
}

function speedY(low, high, { top, bottom }) {
  return (v) => bottom - ((v - low) / (high - low)) * (bottom - top);
}

function floorOf(model, places, area) {
  if (!model.trace || places.kind === "frames") {
    return [];
  }
  const { low, high } = speedRange(model);
  return floorNodes(model.floor_mm_s, speedY(low, high, area), area);
}

function traceNodes(model, places, scale, area) {
  const { trace, stale, wheels } = model;
  if (!trace || places.kind === "frames") {
    return [];
  }
  const { low, high } = speedRange(model);
  const y = speedY(low, high, area);
  const [from, to] = visible(trace, places, scale);
  const cut = (values) => values.slice(from, to);
  const near = cut(trace.t_s).map((t_s) => scale.x(places.ofTime(t_s)));
  const speeds = cut(trace.v_mm_s).map((v) => v ?? NaN);
  const spreads = cut(trace.u_v_mm_s ?? []).map((u) => u ?? 0);
  const line = thinned(near, speeds.map(y)).map(pathOf).join(" ");
  const upper = thinned(near, speeds.map((v, k) => y(v + spreads[k])));
  const lower = thinned(near, speeds.map((v, k) => y(v - spreads[k])));
  const band = upper.map((piece, k) => `${pathOf(piece)} ${pathOf([...(lower[k] ?? [])].reverse()).replace("M", "L")} Z`).join(" ");
  const state = stale ? "stale" : "";
  const inView = wheels.map((wheel) => ({ ...wheel, values: cut(wheel.values) }));
  return [
    svg("path", { class: "strip-band", d: band, data: { state } }),
    svg("path", { class: "strip-trace", d: line, data: { state } }),
    ...wheelNodes(inView, near, speeds.map(y), y, state),
  ];
}

/** Indices of the samples in view, with one more on either side: times rise, and so does what was reached. */
function visible({ t_s }, places, scale) {
  const firstFrom = (wanted) => {
    let low = 0;
    let high = t_s.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (places.ofTime(t_s[middle]) < wanted) {
        low = middle + 1;
      } else {
        high = middle;
      }
    }
    return low;
  };
  return [Math.max(0, firstFrom(scale.from) - 1), Math.min(t_s.length, firstFrom(scale.to) + 2)];
}

/** The body as followed so far, while a crawl is still being measured: place, not yet speed. */
function followedNodes({ followed }, places, scale, area) {
  if (followed.length < 2 || places.kind === "travel") {
    return [];
  }
  const alongs = followed.map((step) => step.along_px);
  const low = alongs.reduce((least, along) => Math.min(least, along), Infinity); // too many to be arguments
  const high = alongs.reduce((most, along) => Math.max(most, along), low + 1);
  const xs = followed.map((step) => scale.x(places.ofFrame(step.frame)));
  const ys = alongs.map((along) => area.bottom - 4 - ((along - low) / (high - low)) * (area.bottom - area.top - 20));
  const d = thinned(xs, ys).map(pathOf).join(" ");
  return [
    svg("path", { class: "strip-followed", d }),
    svg("text", { class: "strip-note", x: area.left + 46, y: area.top + 12 }, "as followed so far (place along the board)"),
  ];
}

function stallNodes({ stalls, stale }, places, scale, { left, right, top, bottom }) {
  if (places.kind === "frames") {
    return [];
  }
  const seen = stalls
    .map((stall) => ({ label: stall.label, x1: scale.x(places.ofTime(stall.t_s)), x2: scale.x(places.ofTime(stall.t_s + stall.dwell_s)) }))
    .map((stall) => ({ ...stall, x2: Math.max(stall.x1 + 3, stall.x2) })) // over travel a stall has no width, but it must be seen
    .filter(({ x1, x2 }) => x2 >= left && x1 <= right);
  return seen.flatMap(({ label, x1, x2 }, index) => [
    svg("rect", { class: "strip-stall", x: x1, y: top, width: x2 - x1, height: Math.max(0, bottom - top), data: { state: stale ? "stale" : "" } }),
    stallLabel(label, { x1, x2, end: seen[index + 1]?.x1 ?? right }, { top, bottom }),
  ]);
}

/**
 * A stall's name: in its upper part, which the trace leaves free; beside its foot where it is
 * narrow; without how long it lasted where there is no room for that either.
 */
function stallLabel(label, { x1, x2, end }, { top, bottom }) {
  const [name] = label.split(",");
  const fits = (text, px) => text.length * NOTE_LETTER_PX + 2 * NOTE_GAP_PX <= px;
  const within = [label, name].find((text) => fits(text, x2 - x1));
  const beside = [label, name].find((text) => fits(text, end - x2));
  const text = within === label || !beside || (within && beside !== label) ? (within ?? name) : beside;
  const at = text === within ? { x: (x1 + x2) / 2, y: top + 12, "text-anchor": "middle" } : { x: x2 + NOTE_GAP_PX, y: bottom - 5 };
  return svg("text", { class: "strip-note", ...at }, text);
}

/** What lies before "from" and after "to" is not of the attempt: dotted over. */
function outsideNodes({ span }, places, scale, { left, right, top, bottom }) {
  if (!span) {
    return [];
  }
  const [x1, x2] = span.map((frame) => scale.x(places.ofFrame(frame)));
  const veil = (from, to) =>
    to > from ? [svg("rect", { class: "strip-outside", x: from, y: top, width: to - from, height: Math.max(0, bottom - top) })] : [];
  return [...veil(left, Math.min(right, x1)), ...veil(Math.max(left, x2), right)];
}

/** A tick for each frame, once there is room: unevenly where the clip was taken unevenly. */
function frameTicks({ frames, odd }, places, scale, { left, right, bottom }) {
  if (frames < 1) {
    return [];
  }
  let lastX = -Infinity;
  const nodes = [...odd]
    .sort((a, b) => a - b)
    .filter((frame) => frame < frames)
    .flatMap((frame) => {
      const x = scale.x(places.ofFrame(frame));
      if (!(x >= left && x <= right && x - lastX >= ODD_APART_PX)) {
        return [];
      }
      lastX = x;
      return [svg("text", { class: "strip-odd", x, y: bottom - 2, "text-anchor": "middle" }, "\u00d7")];
    });
  if ((right - left) / (frames * (scale.span / scale.wholeSpan)) < FRAME_TICKS_FROM_PX) {
    return nodes;
  }
  const first = places.frameAt(scale.from);
  const last = places.frameAt(scale.to);
  let d = "";
  for (let frame = first; frame <= last; frame += 1) {
    const height = frame % 10 === 0 ? 8 : 4;
    d += `M${scale.x(places.ofFrame(frame)).toFixed(1)} ${bottom}v-${height}`;
  }
  return [svg("path", { class: "strip-frames", d }), ...nodes];
}

/** Events: a line each, and a name that takes the next row where it would lie on the one before. */
function instantNodes({ instants }, places, scale, { top, bottom }) {
  if (places.kind === "frames") {
    return [];
  }
  /** @type {number[]} */
  const ends = []; // of the last name in each row
  return instants.flatMap(({ t_s, label, kind }) => {
    const x = scale.x(places.ofTime(t_s));
    const free = ends.findIndex((end) => x > end);
    const row = free >= 0 ? free : Math.min(ends.length, INSTANT_ROWS - 1);
    ends[row] = x + 8 + label.length * CHARACTER_PX;
    return [
      svg("line", { class: `strip-instant strip-${kind}`, x1: x, x2: x, y1: top - 2, y2: bottom }),
      svg("text", { class: "strip-note strip-strong", x: x + 4, y: top + 11 + row * ROW_PX }, label),
    ];
  });
}

/** The judge's calls: a line each, and a pennant for each name in the lane over the paper. */
function callNodes(names, { bottom }) {
  return names.flatMap(({ calls }) => [
    ...calls.map(({ x }) => svg("line", { class: "strip-call-line", x1: x, x2: x, y1: x === calls[0].x ? 7 : TOP_PX, y2: bottom })),
    svg("path", { class: "strip-call", d: `M ${calls[0].x} 7.5 l 9 4.5 l -9 4.5 z` }),
  ]);
}

/**
 * Calls that are in view, from left to right.
 *
 * @param {import("./strip_model.js").StripModel} model
 * @param {import("./strip_model.js").Places} places
 * @param {import("./strip_scale.js").StripScale} scale
 * @returns {import("./strip_calls.js").PlacedCall[]}
 */
export function placedCalls({ calls }, places, scale) {
  const placeOf = ({ frame, t_s }) => (frame === null || places.kind !== "frames" ? places.ofTime(t_s) : places.ofFrame(frame));
  return calls
    .map((call) => ({ call: call.call, t_s: call.t_s, x: scale.x(placeOf(call)) }))
    .filter(({ x }) => x >= scale.left - 1 && x <= scale.left + scale.width + 1)
    .sort((a, b) => a.x - b.x);
}
