// Which frame the page is at. Ordinals are exact; times are those recorded, never ordinal / rate.

import { clamp } from "./plain.js";

export const SAME_S = 0.0005; // what people type has milliseconds
const SLOW_RATES = [0.5, 0.25, 0.1];

/**
 * The last frame shown at or before an instant.
 * @param {number[]} times_s true times, ascending
 * @param {number} t_s
 * @returns {number} ordinal, within the clip
 */
function shownAt(times_s, t_s) {
  let low = 0;
  let high = times_s.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (times_s[middle] <= t_s) low = middle;
    else high = middle - 1;
  }
  return low;
}

/**
 * The frame whose recorded time is nearest to an instant.
 * @param {number[]} times_s true times, ascending
 * @param {number} t_s
 * @returns {number} ordinal, within the clip
 */
export function nearestFrame(times_s, t_s) {
  const found = shownAt(times_s, t_s);
  const next = Math.min(found + 1, times_s.length - 1);
  return Math.abs(times_s[next] - t_s) < Math.abs(times_s[found] - t_s) ? next : found;
}

/**
 * Where a step of `ds` seconds from a frame lands: the frame nearest in time, but never the same.
 * @param {number[]} times_s
 * @param {number} ordinal
 * @param {number} ds
 * @returns {number}
 */
function stepByTime(times_s, ordinal, ds) {
  let found = nearestFrame(times_s, times_s[ordinal] + ds);
  if (found === ordinal) found += Math.sign(ds);
  return clamp(found, 0, times_s.length - 1);
}

/** The frame the page is at, and how it moves on. */
export class Clock {
  /** @param {import("./store.js").Store} store */
  constructor(store) {
    this.store = store;
    this.ordinal = 0;
    this.direction = 0; // of the last move, for read-ahead
    this.playing = false;
    this.rate = 1;
    this.start = null; // of the run: recorded time and time of day
    this.listeners = new Set();
    this.sha = null;
    store.subscribe((what) => this.follow(what), ["clip", "loaded"]);
    this.follow(new Set(["clip"]));
  }

  /** Frames of the clip; 0 without one. */
  get count() {
    return this.store.clip?.facts?.frame_count ?? 0;
  }

  /** @returns {number[]|null} true times, s from the first shown frame */
  get times_s() {
    const times = this.store.clip?.times_s;
    return times?.length ? times : null;
  }

  /** Recorded time of a frame, s; null where the clip has none. */
  tOf(ordinal) {
    return this.times_s?.[ordinal] ?? null;
  }

  /** Frame shown at a time; null where the clip has no times. */
  ordinalAt(t_s) {
    return this.times_s ? shownAt(this.times_s, t_s) : null;
  }

  /** @param {number} ordinal brought into the clip */
  goto(ordinal) {
    this.pause();
    this.move(ordinal);
  }

  /** @param {number} frames forward, or back when negative */
  step(frames) {
    this.goto(this.ordinal + frames);
  }

  /** @param {number} ds seconds later, or sooner when negative */
  stepTime(ds) {
    if (this.times_s) this.goto(stepByTime(this.times_s, this.ordinal, ds));
  }

  gotoTime(t_s) {
    if (this.times_s) this.goto(shownAt(this.times_s, t_s + SAME_S));
  }

  /**
   * Run by the recorded times; pictures that come late are left out, time never waits.
   * @param {number} [rate] 1 is true speed
   * @returns {boolean} whether it runs
   */
  play(rate = 1) {
    if (!this.times_s || this.count < 2) return false;
    if (this.ordinal >= this.count - 1) this.move(0);
    this.rate = rate;
    this.playing = true;
    const run = { t_s: this.tOf(this.ordinal), at: performance.now() };
    this.start = run;
    const tick = (now) => {
      if (this.start !== run) return;
      const t_s = run.t_s + (Math.max(0, now - run.at) / 1000) * rate;
      this.move(this.ordinalAt(t_s));
      if (this.ordinal >= this.count - 1) this.pause();
      else requestAnimationFrame(tick);
    };
    requestAnimationFrame(tick);
    this.tell();
    return true;
  }

  pause() {
    if (!this.playing) return;
    this.playing = false;
    this.start = null;
    this.tell();
  }

  /** Slower each time: 1/2, 1/4, 1/10, then 1/2 again. */
  playSlower() {
    const at = this.playing ? SLOW_RATES.indexOf(this.rate) : -1;
    return this.play(SLOW_RATES[(at + 1) % SLOW_RATES.length]);
  }

  /** @param {(clock: Clock) => void} fn @returns {() => void} stops it */
  subscribe(fn) {
    this.listeners.add(fn);
    return () => this.listeners.delete(fn);
  }

  within(ordinal) {
    return clamp(ordinal, 0, Math.max(0, this.count - 1));
  }

  move(ordinal) {
    const bounded = this.within(Math.round(ordinal));
    if (bounded === this.ordinal) return;
    this.direction = Math.sign(bounded - this.ordinal);
    this.ordinal = bounded;
    this.tell();
  }

  tell() {
    for (const fn of [...this.listeners]) fn(this);
  }

  /** Another clip, or another draft: begin at the frame its marks are on. */
  follow(what) {
    const sha = this.store.clip?.sha ?? null;
    if (sha === this.sha && !what.has("loaded")) return;
    this.sha = sha;
    this.pause();
    const { draft } = this.store;
    const frame = draft.clip === sha ? (draft.marks.frame ?? 0) : 0;
    this.direction = 0;
    this.ordinal = this.within(frame);
    this.tell();
  }
}

/** @param {{store: import("./store.js").Store}} ctx */
export function createClock({ store }) {
  return new Clock(store);
}
