// The edge profile: brightness across the line at the point in hand, and where the fit puts the edge.

import { el, put, svg } from "./dom.js";
import { fixed } from "./numbers.js";
import { profileAcross } from "./true_pixels.js";

const REACH_PX = 10; // to either side, or farther where the fitted edge is
const FARTHEST_PX = 24;
const BESIDE_PX = 3; // shown beyond the fitted edge
const STEPS = 40; // to either side
const WIDE = 200; // of the drawing, its own units
const HIGH = 56;

/**
 * Across which direction brightness is drawn: up from a flat line, right from a steep one.
 * @param {{x: number, y: number}} along direction of the line, picture px; null draws along the row
 */
function normalOf(along) {
  const length = along ? Math.hypot(along.x, along.y) : 0;
  if (length === 0) return { normal: { x: 1, y: 0 }, sides: ["left", "right"], row: true };
  const normal = { x: -along.y / length, y: along.x / length };
  const flat = Math.abs(normal.y) >= Math.abs(normal.x);
  const flip = flat ? normal.y > 0 : normal.x < 0;
  if (flip) {
    normal.x = -normal.x;
    normal.y = -normal.y;
  }
  return { normal, sides: flat ? ["below", "above"] : ["left", "right"], row: false };
}

/**
 * Where a fitted line crosses the profile, px along the normal; null when it does not.
 * @param {{x: number, y: number}[]} fitted @param {{x: number, y: number}} at @param {{x: number, y: number}} normal
 */
function crossingOf(fitted, at, normal) {
  let best = null;
  let least = Infinity;
  for (let i = 0; i + 1 < fitted.length; i += 1) {
    const [a, b] = [fitted[i], fitted[i + 1]];
    const apart = Math.hypot((a.x + b.x) / 2 - at.x, (a.y + b.y) / 2 - at.y);
    const dx = b.x - a.x;
    const dy = b.y - a.y;
    const across = dx * normal.y - dy * normal.x;
    if (apart >= least || across === 0) continue;
    least = apart;
    best = (dx * (a.y - at.y) - dy * (a.x - at.x)) / across;
  }
  return best;
}

/** The drawing, and what puts a profile into it. */
export function edgeProfile() {
  const curve = svg("polyline", { class: "profile-curve" });
  const mark = svg("line", { class: "profile-mark", x1: WIDE / 2, x2: WIDE / 2, y1: 2, y2: HIGH - 2 });
  const fit = svg("path", { class: "profile-fit" });
  const drawing = svg(
    "svg",
    { class: "profile", viewBox: `0 0 ${WIDE} ${HIGH}`, preserveAspectRatio: "none", role: "img" },
    mark, fit, curve,
  );
  const low = el("span", {});
  const middle = el("span", { class: "profile-text" });
  const high = el("span", {});
  const node = el("figure", { class: "profile-box" }, drawing,
    el("figcaption", {}, low, middle, high));

  function clear(sentence) {
    curve.setAttribute("points", "");
    fit.setAttribute("d", "");
    say(low, "");
    say(high, "");
    say(middle, sentence);
    drawing.setAttribute("aria-label", sentence || "no edge profile");
  }

  /** @param {any} crop true pixels @param {{x: number, y: number}} at */
  function draw(crop, at, along, fitted) {
    const { normal, sides, row } = normalOf(along);
    const edge = fitted && !row ? crossingOf(fitted, at, normal) : null;
    const reach_px = reachTo(edge);
    const profile = profileAcross(crop, at, normal, reach_px, reach_px / STEPS);
    const known = profile.filter(({ value }) => value !== null);
    if (known.length < 2) return clear("");
    const values = known.map(({ value }) => value);
    const least = Math.min(...values);
    const room = Math.max(12, Math.max(...values) - least); // noise alone is not drawn as an edge
    const x = (px) => (WIDE / 2) * (1 + px / reach_px);
    const y = (value) => HIGH - 5 - ((HIGH - 10) * (value - least)) / room;
    curve.setAttribute("points", known.map((one) => `${x(one.offset_px)},${y(one.value)}`).join(" "));
    const near = edge !== null && Math.abs(edge) <= reach_px;
    fit.setAttribute("d", near ? `M${x(edge)} 0V${HIGH}M${x(edge) - 4} 0H${x(edge) + 4}` : "");
    say(low, sides[0]);
    say(high, sides[1]);
    const text = row ? "along the row" : edge === null ? "across the line" : `edge fit ${fixed(edge, 2)} px`;
    say(middle, text);
    drawing.setAttribute("aria-label", `brightness ${row ? "along the row" : "across the line"}, ${text}`);
  }

  return { node, draw, clear };
}

/** So far that the fitted edge is seen, when it is anywhere near. */
function reachTo(edge) {
  const wanted_px = edge === null ? 0 : Math.abs(edge) + BESIDE_PX;
  return wanted_px > REACH_PX && wanted_px <= FARTHEST_PX ? wanted_px : REACH_PX;
}

function say(node, text) {
  if (node.textContent !== text) put(node, text);
}
