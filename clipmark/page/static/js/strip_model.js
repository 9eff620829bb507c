/**
 * What there is to draw on the motion strip, taken from the store: axis, trace, events.
 *
 * Pure but for reading the store; nothing is measured here.
 */

import { nearestFrame } from "./clock.js";
import { dwellWords } from "./numbers.js";
import { clamp } from "./plain.js";
import { phasesOf, stallsOf, wheelsOf } from "./strip_motion.js";
import { TraceLookup } from "./strip_scale.js";

const NOTHING = []; // one and the same, so that nothing new is not taken for news

/**
 * @typedef {object} StripModel
 * @property {number} frames                 how many the clip has
 * @property {number[]|null} times_s
 * @property {object|null} trace             t_s, s_mm, v_mm_s, u_v_mm_s
 * @property {"crawl"|"climb"|"tilt"} motion what is followed
 * @property {object|null} tilt              t_s, platform_deg, chassis_to_platform_deg of a side tilt
 * @property {boolean} stale                 trace or events belong to marks changed since
 * @property {{frame: number, t_s: number, along_px: number}[]} followed
 * @property {{t_s: number, dwell_s: number, label: string}[]} stalls
 * @property {{t_s: number, until_s: number, name: string, told: string}[]} phases  down, held, reverse ...
 * @property {{number: number, values: (number|null)[], label: string}[]} wheels  lines over the trace's samples
 * @property {number|null} floor_mm_s        standard deviation of the speed of a body at rest
 * @property {{t_s: number, label: string, kind: string}[]} instants  events of a tilt or a climb
 * @property {{t_s: number, frame: number|null, call: string}[]} calls
 * @property {[number, number]|null} span
 * @property {{first_frame: number, last_frame: number}[]} proposed  attempts looked for in the clip
 * @property {number[]} odd                  frames damaged or missing, by the checking pass
 */

/**
 * @param {any} store
 * @returns {StripModel}
 */
export function modelOf(store) {
  const { clip, draft } = store;
  const { motion } = store;
  const isTilt = motion === "tilt"; // then the platform's angle is drawn, and no speed
  const result = isTilt ? null : (store.readings[motion]?.result ?? null);
  const trace = isTilt ? null : (store.readings[`${motion}Trace`] ?? null);
  return {
    frames: draft.clip ? (clip?.facts?.frame_count ?? 0) : 0,
    times_s: draft.clip && clip?.times_s?.length ? clip.times_s : null,
    trace: trace?.result ?? null,
    motion,
    tilt: isTilt ? (store.readings.tiltTrace?.result ?? null) : null,
    stale: Boolean(store.readings[motion]?.result) && store.current(motion) === null,
    followed: store.ui.followed ?? NOTHING,
    stalls: (stallsOf(result) ?? []).map((stall, index) => ({
      t_s: stall.t_s,
      dwell_s: stall.dwell_s,
      label: `stall ${index + 1}, ${dwellWords(stall)}`,
    })),
    phases: phasesOf(result),
    wheels: wheelsOf(trace?.result ?? null),
    floor_mm_s: result?.noise_floor_mm_s ?? null,
    instants: instantsOf(store.readings),
    calls: draft.calls,
    span: draft.marks.span ?? null,
    proposed: store.ui.proposed && store.ui.proposed.sha === draft.clip ? store.ui.proposed.spans : NOTHING,
    odd: [...(clip?.facts?.damaged ?? []), ...(clip?.facts?.missing ?? [])],
  };
}

/** What a tilt and a climb reading found, in order of time: events, crossings, what came in. */
export function instantsOf(readings) {
  const found = [...tiltInstants(readings.tilt?.result), ...climbInstants(readings.climb?.result)];
  return found.filter(({ t_s }) => Number.isFinite(t_s)).sort((one, other) => one.t_s - other.t_s);
}

function tiltInstants(tilt) {
  if (!tilt) return [];
  if (!tilt.events) return tilt.lift_off === false ? [] : [{ t_s: tilt.t_s, label: "lift-off", kind: "lift-off" }];
  return tilt.events.map(({ event, criterion, t_s }) => {
    if (event === "topple" || event === "slide") return { t_s, label: event, kind: event };
    const how = criterion.startsWith("first motion") ? "first motion" : criterion.startsWith("gap") ? criterion.split(" under")[0] : criterion;
    const which = event.startsWith("first") ? "first wheel off" : "wheels off";
    return { t_s, label: `${which}, ${how}`, kind: "lift-off" };
  });
}

function climbInstants(climb) {
  if (!climb) return [];
  const decided = climb.decided_t_s === climb.finish_t_s || climb.decided_t_s === climb.tip_over_t_s;
  return [
    { t_s: climb.finish_t_s, label: "finish", kind: "finish" },
    { t_s: climb.tip_over_t_s, label: "tipped back", kind: "tip-over" },
    { t_s: decided ? null : climb.decided_t_s, label: "decided here", kind: "decided" },
    { t_s: climb.board_moved?.moved ? climb.board_moved.since_t_s : null, label: "board moved", kind: "board" },
    ...(climb.went_back ?? []).map(({ t_s, how }) => ({ t_s, label: how === "not told" ? "went back" : `${how} back`, kind: "back" })),
    ...(climb.entered_patch ?? []).map(({ t_s }) => ({ t_s, label: "something in the patch", kind: "entered" })),
  ];
}

/** From frames to axis values and back, for the axis that is shown. */
export class Places {
  /**
   * @param {StripModel} model
   * @param {"time"|"travel"} wanted
   */
  constructor(model, wanted) {
    this.model = model;
    this.lookup = model.trace ? TraceLookup.of(model.trace) : null;
    const ready = this.lookup && this.lookup.last_mm > this.lookup.first_mm;
    this.kind = wanted === "travel" && ready ? "travel" : model.times_s ? "time" : "frames";
  }

  /** @returns {import("./strip_scale.js").Axis} */
  get axis() {
    const { frames, times_s } = this.model;
    if (this.kind === "travel") {
      return { kind: "travel", first: this.lookup.first_mm, last: this.lookup.last_mm, unit: "mm" };
    }
    if (this.kind === "time") {
      return { kind: "time", first: times_s[0], last: times_s[frames - 1] ?? times_s.at(-1), unit: "s" };
    }
    return { kind: "frames", first: 0, last: Math.max(1, frames - 1), unit: "frames" };
  }

  /** Axis value of a recorded time. */
  ofTime(t_s) {
    if (this.kind === "travel") {
      return this.lookup.travelAt(t_s);
    }
    return this.kind === "time" ? t_s : NaN;
  }

  /** Axis value of a frame. */
  ofFrame(ordinal) {
    return this.kind === "frames" ? ordinal : this.ofTime(this.model.times_s[ordinal]);
  }

  /** Frame at, or nearest to, an axis value. */
  frameAt(value) {
    const { frames, times_s } = this.model;
    if (this.kind === "frames") {
      return clamp(Math.round(value), 0, frames - 1);
    }
    const t_s = this.kind === "travel" ? this.lookup.timeAt(value) : value;
    return nearestFrame(times_s, t_s);
  }
}
