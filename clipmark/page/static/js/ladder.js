/**
 * The step ladder: the test's steps as rungs, the measured angle with its 95 % interval as a bar
 * across them. It is seen at a glance which steps the footage can tell apart, and read in words.
 */

import { el, put, svg } from "./dom.js";
import { apart, layOut, rungsOf, separationSentence } from "./ladder_scale.js";
import { neededFor } from "./mark_kinds.js";
import { testOf } from "./missing_rules.js";
import { numberView } from "./number_view.js";
import { fixed, intervalOf, measured } from "./numbers.js";
import { asSentence } from "./plain.js";

const LABEL_PX = 40; // room for the rungs' labels at the left
const LABEL_APART_PX = 13;
const NARROW_PX = 100; // less room than this beside the bracket takes the shorter words
const RIGHT_PX = 12;
const NAME_HIGH_PX = 14;
const NAME_DOWN_PX = 4; // from what is named to the foot of its name, beside it
const NAME_OVER_PX = 5; // the same over a line
const NAME_UNDER_PX = 13; // and under it

/**
 * Fill the region.
 *
 * @param {HTMLElement} root
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const { store } = ctx;
  const views = [
    numberView({ label: "ramp", name: "ramp_deg" }),
    numberView({ label: "chassis", name: "chassis_deg" }),
    numberView({ label: "chassis to ramp", name: "chassis_to_ramp_deg" }),
  ];
  const numbers = el("div", { class: "ladder-numbers" }, views.map((view) => view.node));
  const drawing = svg("svg", { class: "ladder-drawing", "aria-hidden": "true" });
  const words = el("p", { class: "ladder-words small" });
  put(
    root,
    el("div", { class: "ladder-sheet" }, numbers, el("div", { class: "ladder-frame" }, drawing), words),
  );

  function update() {
    const { result, how, why } = angleNow(store);
    views.forEach((view) => view.update(result, how, why));
    const ramp = measured(result, "ramp_deg");
    const chassis = measured(result, "chassis_deg");
    const rungs = rungsOf(testOf(store.draft, store.event), ramp, store.draft.details.step_deg);
    const set = [store.draft.details.set_start_deg, store.draft.details.set_end_deg];
    words.textContent = why ? asSentence(why) : wordsOf(store, rungs, ramp);
    const frame = drawing.parentElement;
    draw(drawing, { width: frame.clientWidth, height: frame.clientHeight }, { rungs, ramp, chassis, set, how, step: store.draft.details.step_deg });
  }

  let waiting = false;
  const soon = () => {
    if (!waiting) {
      waiting = true;
      requestAnimationFrame(() => {
        waiting = false;
        update();
      });
    }
  };
  store.subscribe(soon, ["readings", "details", "marks", "loaded", "event"]);
  new ResizeObserver(soon).observe(drawing.parentElement);
  soon();
}

/** What the ladder says in words: of the steps that the rule sheet or the slip names, never of even rungs. */
function wordsOf({ draft, event }, rungs, ramp) {
  const isBeingMeasured = ramp.value === null && draft.clip && neededFor("angle", draft.marks).length === 0;
  if (isBeingMeasured) {
    return "Measuring the angle \u2026";
  }
  const isNamed = testOf(draft, event)?.steps_deg?.length > 0 || draft.details.step_deg !== null;
  return ramp.value === null || isNamed ? separationSentence(rungs, ramp, draft.details.step_deg) : asSentence(intervalOf(ramp));
}

/**
 * The angle reading to be shown: of the marks as they are, of a drag, or of before a change, then
 * only one that was measured in full. `why` says what was refused of the marks as they are.
 */
export function angleNow(store) {
  const current = store.current("angle");
  if (current) {
    return { result: current, how: "", why: null };
  }
  if (neededFor("angle", store.draft.marks).length) {
    return { result: null, how: "", why: null }; // what it was made of is not marked any more
  }
  const live = store.readings.angleLive;
  const isMoving = store.held !== null && live?.during === store.held; // the hand is ahead of the answers
  if (live?.result && (isMoving || store.current("angleLive") !== null)) {
    return { result: live.result, how: "live", why: null };
  }
  const why = store.current("angleRefused")?.sentence ?? null;
  const held = store.readings.angle?.result ?? null;
  return { result: held, how: held ? "stale" : "", why };
}

function draw(drawing, { width, height }, what) {
  if (width < 40 || height < 40) {
    return;
  }
  drawing.setAttribute("viewBox", `0 0 ${width} ${height}`);
  drawing.setAttribute("width", width);
  drawing.setAttribute("height", height);
  const scale = layOut(what.rungs, what.ramp, what.chassis, height);
  const rails = { left: LABEL_PX, right: width - RIGHT_PX };
  put(
    drawing,
    ...railsOf(rails, height),
    ...rungNodes(what, scale, rails),
    ...setAngleNodes(what.set, scale, rails),
    ...bandNodes(what.ramp, scale, rails, what.how),
    ...chassisNodes(what.chassis, scale, rails),
    ...nameNodes(what, scale, rails, height),
  );
}

/** Names of what stands at the rails: the set angle at the left, what was measured at the right. */
function nameNodes({ ramp, chassis, set }, scale, { left, right }, height) {
  const at = (deg) => scale(Math.abs(deg));
  const line = ramp.value === null ? null : at(ramp.value);
  const beside = (y, isUnder) => y + (isUnder ? NAME_UNDER_PX : -NAME_OVER_PX);
  const sets = set.map((deg, end) =>
    Number.isFinite(deg) ? { text: end ? "set, end" : "set", kind: "set", y: beside(at(deg), line !== null && at(deg) >= line) } : null);
  const isUnder = line !== null && chassis.value !== null && at(chassis.value) <= line;
  const measures = [
    line !== null && { text: "ramp", kind: "measured", y: beside(line, isUnder) },
    chassis.value !== null && { text: "chassis", kind: "chassis", y: at(chassis.value) + NAME_DOWN_PX }, // no line goes through it
  ];
  const placed = (names, where) => {
    const there = names.filter(Boolean);
    const ys = apart(there.map(({ y }) => y), NAME_HIGH_PX, [NAME_HIGH_PX, height - 3]);
    return there.map(({ text, kind }, index) => svg("text", { class: `ladder-${kind}-label`, y: ys[index], ...where }, text));
  };
  return [
    ...placed(sets, { x: left + 16 }),
    ...placed(measures, { x: right - 11, "text-anchor": "end" }), // clear of the diamond
  ];
}

function railsOf({ left, right }, height) {
  return [left, right].map((x) => svg("line", { class: "ladder-rail", x1: x, x2: x, y1: 2, y2: height - 2 }));
}

function rungNodes({ rungs, ramp, step }, scale, { left, right }) {
  const nodes = [];
  const inside = rungs.filter((deg) => within(ramp, deg));
  const stepY = rungs.includes(step) ? scale(Math.abs(step)) : Infinity;
  let lastLabel = Infinity;
  for (const deg of rungs) {
    const y = scale(Math.abs(deg));
    const isStep = step !== null && step !== undefined && deg === step;
    const classes = ["ladder-rung", inside.includes(deg) && "ladder-unsure", isStep && "ladder-step"].filter(Boolean);
    nodes.push(svg("line", { class: classes.join(" "), x1: left, x2: right, y1: y, y2: y }));
    if (isStep || (lastLabel - y >= LABEL_APART_PX && Math.abs(stepY - y) >= LABEL_APART_PX)) {
      nodes.push(svg("text", { class: isStep ? "ladder-label ladder-step-label" : "ladder-label", x: left - 6, y: y + 4, "text-anchor": "end" }, `${fixed(deg, Number.isInteger(deg) ? 0 : 1)}°`));
      lastLabel = y;
    }
  }
  if (inside.length > 1) {
    const foot = scale(Math.min(Math.abs(ramp.low95), Math.abs(ramp.high95)));
    nodes.push(...bracket(scale(inside[0]), scale(inside.at(-1)), foot, { left, right }));
  }
  return nodes;
}

/** A bracket over the rungs that lie inside one interval, said in words under its foot. */
function bracket(low, high, foot, { left, right }) {
  const x = left + Math.min(58, (right - left) / 2);
  const words = { class: "ladder-apart", x: x - 8, y: Math.max(low, foot) + NAME_UNDER_PX, "text-anchor": "start" };
  return [
    svg("path", { class: "ladder-bracket", d: `M ${x - 7} ${low} H ${x} V ${high} H ${x - 7}` }),
    svg("text", words, right - x < NARROW_PX ? "not told apart" : "cannot tell apart"),
  ];
}

function within({ low95, high95, value }, deg) {
  if (value === null || low95 === null) {
    return false;
  }
  const [low, high] = value < 0 ? [-high95, -low95] : [low95, high95];
  return low <= deg && deg <= high;
}

/** The judge's set angle: a notch on the left rail, so that it is no reading. */
function setAngleNodes(set, scale, { left }) {
  return set.flatMap((deg) => {
    if (!Number.isFinite(deg)) {
      return [];
    }
    return [svg("path", { class: "ladder-set", d: `M ${left + 2} ${scale(Math.abs(deg))} l 11 -6 v 12 z` })];
  });
}

function bandNodes(ramp, scale, { left, right }, how) {
  if (ramp.value === null) {
    return [];
  }
  const y = scale(Math.abs(ramp.value));
  const nodes = [];
  if (ramp.low95 !== null) {
    const ends = [scale(Math.abs(ramp.low95)), scale(Math.abs(ramp.high95))].sort((a, b) => a - b);
    const height = Math.max(2, ends[1] - ends[0]);
    nodes.push(svg("rect", { class: "ladder-band", data: { state: how }, x: left - 3, width: right - left + 6, y: ends[0], height }));
    nodes.push(...ends.map((end) => svg("line", { class: "ladder-band-end", x1: left - 3, x2: right + 3, y1: end, y2: end })));
  }
  nodes.push(svg("line", { class: "ladder-measured", x1: left - 6, x2: right + 6, y1: y, y2: y }));
  return nodes;
}

/** The chassis: an open diamond on the right rail with its own whisker. */
function chassisNodes(chassis, scale, { right }) {
  if (chassis.value === null) {
    return [];
  }
  const y = scale(Math.abs(chassis.value));
  const nodes = [];
  if (chassis.low95 !== null) {
    nodes.push(svg("line", { class: "ladder-whisker", x1: right, x2: right, y1: scale(Math.abs(chassis.low95)), y2: scale(Math.abs(chassis.high95)) }));
  }
  nodes.push(svg("path", { class: "ladder-chassis", d: `M ${right - 7} ${y} l 7 -6 l 7 6 l -7 6 z` }));
  return nodes;
}
