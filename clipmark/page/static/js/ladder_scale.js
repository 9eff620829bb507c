/**
 * Where the rungs lie: all of them in view, the neighbourhood of the measured angle enlarged.
 *
 * Pure. The scale is piecewise linear in three parts; the middle one, around the measured angle,
 * has more px per degree. Order and labels stay true, so that nothing reads as equal that is not.
 */

import { fixed, intervalOf } from "./numbers.js";

const EVEN_STEP_DEG = 5;
const PAD_PX = 16;
const NEAR_SHARE = 0.55; // of the height, for the neighbourhood

/**
 * The steps of a test, rising; even ones around what was measured where the rule sheet has none.
 *
 * @param {{steps_deg?: number[]}|null} test
 * @param {{value: number|null}} ramp
 * @param {number|null} step  the step the attempt was set to; a rung in any case
 * @returns {number[]}
 */
export function rungsOf(test, ramp, step) {
  const steps = [...(test?.steps_deg ?? [])].filter(Number.isFinite);
  const rungs = steps.length ? steps : evenRungs(ramp);
  const all = Number.isFinite(step) ? [...rungs, step] : rungs;
  return [...new Set(all)].sort((a, b) => a - b);
}

function evenRungs(ramp) {
  const top = ramp.value === null ? 60 : Math.max(30, Math.min(90, (Math.ceil(Math.abs(ramp.value) / 10) + 1) * 10));
  const rungs = [];
  for (let deg = 0; deg <= top; deg += EVEN_STEP_DEG) {
    rungs.push(deg);
  }
  return rungs;
}

/**
 * A function from degrees to px, down the drawing.
 *
 * @param {number[]} rungs
 * @param {import("./numbers.js").Measured} ramp
 * @param {import("./numbers.js").Measured} chassis
 * @param {number} height
 * @returns {(deg: number) => number}
 */
export function layOut(rungs, ramp, chassis, height) {
  const sizes = [ramp, chassis].filter((m) => m.value !== null).map((m) => Math.abs(m.value));
  const low = Math.min(rungs[0], ...sizes);
  const high = Math.max(rungs.at(-1), ...sizes);
  const margin = Math.max(0.5, (high - low) * 0.04);
  const ends = [low - margin, high + margin];
  const knots = ramp.value === null ? null : neighbourhood(rungs, Math.abs(ramp.value), ramp.u95, ends);
  const room = height - 2 * PAD_PX;
  const share = knots === null ? straight(ends) : bent(ends, knots);
  return (deg) => height - PAD_PX - share(deg) * room;
}

/** Stretch around the measured angle that is enlarged: two rungs on either side, or 3 U. */
function neighbourhood(rungs, at, u95, [low, high]) {
  const under = rungs.filter((deg) => deg <= at);
  const over = rungs.filter((deg) => deg > at);
  const reach = 1.5 * (u95 ?? 0);
  const from = Math.max(low, Math.min(under.at(-2) ?? under.at(-1) ?? low, at - reach));
  const to = Math.min(high, Math.max(over[1] ?? over[0] ?? high, at + reach));
  const natural = (to - from) / (high - low);
  return natural >= NEAR_SHARE || to <= from ? null : [from, to];
}

function straight([low, high]) {
  return (deg) => (deg - low) / (high - low);
}

function bent([low, high], [from, to]) {
  const rest = 1 - NEAR_SHARE;
  const outer = from - low + (high - to);
  const below = outer > 0 ? (rest * (from - low)) / outer : 0;
  return (deg) => {
    if (deg <= from) {
      return from > low ? (below * (deg - low)) / (from - low) : 0;
    }
    if (deg >= to) {
      return below + NEAR_SHARE + (high > to ? ((rest - below) * (deg - to)) / (high - to) : 0);
    }
    return below + (NEAR_SHARE * (deg - from)) / (to - from);
  };
}

/**
 * Places down the drawing, moved as little as it takes to stand apart, in the same order.
 *
 * @param {number[]} ys
 * @param {number} gap_px
 * @param {[number, number]} bounds
 * @returns {number[]} in the order given
 */
export function apart(ys, gap_px, [least, most]) {
  const order = ys.map((_, index) => index).sort((a, b) => ys[a] - ys[b]);
  const placed = order.map((index) => ys[index]);
  for (let round = 0; round < placed.length; round += 1) {
    for (let k = 1; k < placed.length; k += 1) {
      const short = gap_px - (placed[k] - placed[k - 1]);
      if (short > 0) {
        placed[k - 1] -= short / 2;
        placed[k] += short / 2;
      }
    }
  }
  const over = Math.max(0, (placed.at(-1) ?? least) - most) - Math.max(0, least - (placed[0] ?? least));
  const found = [...ys];
  order.forEach((index, k) => {
    found[index] = placed[k] - over;
  });
  return found;
}

/**
 * What the bar across the rungs says, in words.
 *
 * @param {number[]} rungs
 * @param {import("./numbers.js").Measured} ramp
 * @param {number|null} step  the step the attempt was set to
 * @returns {string}
 */
export function separationSentence(rungs, ramp, step) {
  if (ramp.value === null) {
    return "No angle yet: mark the ramp and a level or plumb line.";
  }
  if (ramp.low95 === null) {
    return "No interval yet.";
  }
  const [low, high] = ramp.value < 0 ? [-ramp.high95, -ramp.low95] : [ramp.low95, ramp.high95];
  const inside = rungs.filter((deg) => low <= deg && deg <= high);
  const name = (deg) => `${fixed(deg, Number.isInteger(deg) ? 0 : 1)}°`;
  const interval = `${intervalOf(ramp)}.`;
  if (inside.length > 1) {
    return `The footage cannot tell steps ${inside.map(name).join(", ")} apart. ${interval}`;
  }
  const under = rungs.filter((deg) => deg < low).at(-1);
  const over = rungs.find((deg) => deg > high);
  const between = [under, over].filter((deg) => deg !== undefined).map(name);
  if (inside.length === 1) {
    const apart = between.length ? `, told apart from ${between.join(" and ")}` : "";
    return `Agrees with step ${name(inside[0])}${apart}. ${interval}`;
  }
  const where = between.length === 2 ? `between steps ${between.join(" and ")}` : under === undefined ? `below step ${between[0]}` : `above step ${between[0]}`;
  const off = step !== null && step !== undefined && rungs.includes(step) ? ` Step ${name(step)} lies outside the interval.` : "";
  return `Lies ${where}.${off} ${interval}`;
}
