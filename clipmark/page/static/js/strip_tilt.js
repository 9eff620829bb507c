/**
 * A side tilt on the motion strip: the platform's angle over time, and dashed how far the truck has
 * turned against it, each named on its line and on a scale in degrees.
 */

import { svg } from "./dom.js";
import { fixed } from "./numbers.js";
import { pathOf } from "./strip_layers.js";
import { thinned, ticks } from "./strip_scale.js";

const LEAST_DEG = 2; // a strip never stands for less

/** What the strip's height stands for, degrees. */
function rangeOf({ platform_deg: platform, chassis_to_platform_deg: turned }) {
  const known = [...magnitudes(platform), ...turnsOf(turned)].filter(Number.isFinite);
  const low = Math.min(0, ...known);
  const high = Math.max(LEAST_DEG, ...known);
  const margin = (high - low) * 0.06;
  return { low: low < 0 ? low - margin : 0, high: high + margin };
}

const magnitudes = (values) => values.map((value) => (value === null ? NaN : Math.abs(value)));

/** How far it has turned since it was first seen, towards tipping positive or not: as a magnitude. */
function turnsOf(values) {
  const first = values.find(Number.isFinite) ?? 0;
  return values.map((value) => (value === null ? NaN : Math.abs(value - first)));
}

/** @type {WeakMap<object, {low: number, high: number}>} */
const ranges = new WeakMap();

function scaleOf(tilt, { top, bottom }) {
  if (!ranges.has(tilt)) ranges.set(tilt, rangeOf(tilt));
  const { low, high } = ranges.get(tilt);
  return { low, high, y: (deg) => bottom - ((deg - low) / (high - low)) * (bottom - top) };
}

/**
 * The scale at the left.
 *
 * @param {import("./strip_model.js").StripModel} model
 * @param {import("./strip_layers.js").Area} area
 */
export function tiltAxis({ tilt }, area) {
  if (!tilt) return [];
  const { low, high, y } = scaleOf(tilt, area);
  const { values, decimals } = ticks(low, high, 3);
  return [
    ...values.flatMap((value) => [
      svg("line", { class: value === 0 ? "strip-zero" : "strip-grid", x1: area.left, x2: area.right, y1: y(value), y2: y(value) }),
      svg("text", { class: "strip-tick", x: area.left - 5, y: y(value) + 4, "text-anchor": "end" }, fixed(value, decimals)),
    ]),
    svg("text", { class: "strip-tick", x: 2, y: area.top - 7 }, "deg"),
  ];
}

/**
 * Both lines.
 *
 * @param {import("./strip_model.js").StripModel} model
 * @param {import("./strip_model.js").Places} places
 * @param {import("./strip_scale.js").StripScale} scale
 * @param {import("./strip_layers.js").Area} area
 */
export function tiltNodes({ tilt, stale }, places, scale, area) {
  if (!tilt || places.kind === "frames") return [];
  const { y } = scaleOf(tilt, area);
  const xs = tilt.t_s.map((t_s) => scale.x(places.ofTime(t_s)));
  const state = stale ? "stale" : "";
  const platform = magnitudes(tilt.platform_deg).map(y);
  const turned = turnsOf(tilt.chassis_to_platform_deg).map(y);
  const pathFor = (ys) => thinned(xs, ys).map(pathOf).join(" ");
  return [
    svg("path", { class: "strip-trace", d: pathFor(platform), data: { state } }),
    svg("path", { class: "strip-wheel", d: pathFor(turned), data: { state, wheel: 1 } }),
    nameAt("platform", xs, platform, area, -6),
    nameAt("truck against it", xs, turned, area, -6),
  ].filter(Boolean);
}

/** A name over the beginning of its line. */
function nameAt(text, xs, ys, { left, top, bottom }, off) {
  const at = xs.findIndex((x, index) => x >= left && Number.isFinite(ys[index]));
  if (at < 0) return null;
  const y = Math.min(bottom - 4, Math.max(top + 11, ys[at] + off));
  return svg("text", { class: "strip-note", x: xs[at] + 48, y }, text);
}
