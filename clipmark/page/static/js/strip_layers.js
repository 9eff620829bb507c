/**
 * What lies over and under the speed on the motion strip: phases, wheels, the noise floor.
 *
 * Each is told apart without colour: words in the bands, dash patterns and a name at each line.
 */

import { svg } from "./dom.js";
import { thinned } from "./strip_scale.js";

/** Height of the lane of phases under the paper, px. */
export const PHASE_PX = 16;
const PROPOSED_PX = 15; // height of a proposed attempt's bracket
const LETTER_PX = 6.6; // about
const NAME_APART_PX = 16; // a name this far from other lines is read at once
const NAME_TRIES = 24;

/** @typedef {{left: number, right: number, top: number, bottom: number, foot: number}} Area */

/**
 * Phases in a lane of their own, and a line through the paper where they change.
 *
 * @param {import("./strip_model.js").StripModel} model
 * @param {import("./strip_model.js").Places} places
 * @param {import("./strip_scale.js").StripScale} scale
 * @param {Area} area
 */
export function phaseNodes({ phases, stale }, places, scale, { left, right, top, bottom, foot }) {
  if (!phases.length || places.kind === "frames") {
    return [];
  }
  const state = stale ? "stale" : "";
  return phases
    .map((phase) => ({ ...phase, x1: scale.x(places.ofTime(phase.t_s)), x2: scale.x(places.ofTime(phase.until_s)) }))
    .filter(({ x1, x2 }) => x2 >= left && x1 <= right && x2 > x1)
    .flatMap(({ name, told, x1, x2 }, index) => {
      const [from, to] = [Math.max(left, x1), Math.min(right, x2)];
      const fits = [told ? `${name}: ${told}` : name, name].find((text) => text.length * LETTER_PX + 6 <= to - from);
      return [
        svg("line", { class: "strip-phase-edge", x1, x2: x1, y1: top, y2: foot }),
        foot > bottom && svg("rect", { class: "strip-phase", x: x1, y: bottom, width: x2 - x1, height: foot - bottom, data: { turn: index % 2, state } }),
        foot > bottom && fits && svg("text", { class: "strip-phase-name", x: (from + to) / 2, y: foot - 4, "text-anchor": "middle" }, fits),
      ];
    });
}

/**
 * Attempts looked for in the clip: a bracket each at the foot of the paper, with its number.
 *
 * @param {import("./strip_model.js").StripModel} model
 * @param {import("./strip_model.js").Places} places
 * @param {import("./strip_scale.js").StripScale} scale
 * @param {Area} area
 */
export function proposedNodes({ proposed }, places, scale, { left, right, bottom }) {
  if (places.kind === "travel") {
    return []; // distance is known within one attempt only
  }
  const y = bottom - PROPOSED_PX;
  return proposed
    .map(({ first_frame, last_frame }, at) => ({ at, x1: scale.x(places.ofFrame(first_frame)), x2: scale.x(places.ofFrame(last_frame)) }))
    .filter(({ x1, x2 }) => x2 >= left && x1 <= right)
    .flatMap(({ at, x1, x2 }) => {
      const name = [`proposed ${at + 1}`, `${at + 1}`].find((text) => text.length * LETTER_PX + 8 <= x2 - x1);
      return [
        svg("path", { class: "strip-proposed", d: `M${x1.toFixed(1)} ${bottom}V${y}H${x2.toFixed(1)}V${bottom}` }),
        name && svg("text", { class: "strip-note", x: (Math.max(left, x1) + Math.min(right, x2)) / 2, y: bottom - 3, "text-anchor": "middle" }, name),
      ];
    });
}

/**
 * The noise floor: the band that holds 95 % of what a body at rest would be given as its speed.
 *
 * @param {number|null} floor_mm_s  standard deviation
 * @param {(v: number) => number} y
 * @param {Area} area
 */
export function floorNodes(floor_mm_s, y, { left, right, bottom }) {
  if (!(floor_mm_s > 0)) {
    return [];
  }
  const upper = y(1.96 * floor_mm_s);
  const lower = Math.min(bottom, y(-1.96 * floor_mm_s));
  return [
    svg("rect", { class: "strip-floor", x: left, y: upper, width: Math.max(0, right - left), height: Math.max(1, lower - upper) }),
    svg("text", { class: "strip-note strip-floor-name", x: right - 4, y: upper - 4, "text-anchor": "end" }, "noise floor"),
  ];
}

/**
 * One dashed line for each wheel, with its name where it is furthest from the other lines.
 *
 * @param {{number: number, values: number[], label: string}[]} wheels  of the samples in view
 * @param {number[]} xs     px of these samples
 * @param {number[]} body   px height of the body's line
 * @param {(v: number) => number} y
 * @param {string} state
 */
export function wheelNodes(wheels, xs, body, y, state) {
  const heights = wheels.map(({ values }) => values.map((value) => y(value ?? NaN)));
  const taken = [];
  return wheels.flatMap(({ number, label }, index) => {
    const own = heights[index];
    const others = [body, ...heights.filter((_, other) => other !== index)];
    const at = clearest(xs, own, others, taken, label.length * LETTER_PX);
    if (at !== null) taken.push(xs[at]);
    return [
      svg("path", { class: "strip-wheel", d: thinned(xs, own).map(pathOf).join(" "), data: { wheel: ((number - 1) % 4) + 1, state } }),
      at !== null && svg("text", { class: "strip-note", ...nameAt(xs[at], own[at], others.map((other) => other[at])) }, label),
    ];
  });
}

/** Over its line where the others are lower, else under it. */
function nameAt(x, height, others) {
  const nearest = others.filter(Number.isFinite).reduce((best, other) => (Math.abs(other - height) < Math.abs(best - height) ? other : best), Infinity);
  return { x, y: nearest < height ? height + 15 : height - 5, "text-anchor": "middle" };
}

/** The sample where a line is furthest from the others, away from names set already. */
function clearest(xs, own, others, taken, width) {
  let best = null;
  let most = -Infinity;
  for (let k = 1; k < NAME_TRIES; k += 1) {
    const at = Math.round((k * (xs.length - 1)) / NAME_TRIES);
    const isFree = taken.every((x) => Math.abs(x - xs[at]) > width);
    if (!Number.isFinite(own[at]) || !isFree) {
      continue;
    }
    const apart = Math.min(NAME_APART_PX, ...others.map((other) => Math.abs(other[at] - own[at])).filter(Number.isFinite));
    if (apart > most) {
      [best, most] = [at, apart];
    }
  }
  return best;
}

/** A polyline as the text of a path. @param {[number, number][]} points */
export function pathOf(points) {
  return points.map(([x, y], k) => `${k ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");
}
