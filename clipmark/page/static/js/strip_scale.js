/**
 * Where things lie along the motion strip: seconds or millimetres to px, zoom, ticks.
 *
 * Pure. The strip shows a window [from, to] of its axis; times are the recorded ones, so a clip of
 * varying rate shows its frames unevenly, as they were taken.
 */


/**
 * @typedef {object} Axis
 * @property {"time"|"travel"|"frames"} kind
 * @property {number} first  axis value at the left end, whole clip (s, mm or ordinal)
 * @property {number} last
 * @property {string} unit
 */

/** A window on an axis and the px it is drawn in. */
export class StripScale {
  /** @param {Axis} axis */
  constructor(axis) {
    this.axis = axis;
    this.from = axis.first;
    this.to = axis.first + this.wholeSpan;
    this.left = 0;
    this.width = 1;
    this.leastSpan = 0; // closest zoom, in the axis's unit
  }

  /** Take another axis, keeping the window when it is the same stretch. */
  setAxis(axis) {
    const same = axis.kind === this.axis.kind && axis.first === this.axis.first && axis.last === this.axis.last;
    this.axis = axis;
    if (!same) {
      this.whole();
    }
  }

  /** Set the drawing width in px, from `left`. */
  setSize(left, width) {
    this.left = left;
    this.width = Math.max(1, width);
  }

  get span() {
    return this.to - this.from;
  }

  get wholeSpan() {
    return this.axis.last > this.axis.first ? this.axis.last - this.axis.first : 1; // of one frame
  }

  get zoomed() {
    return this.span < this.wholeSpan * 0.999;
  }

  /** px of an axis value. */
  x(value) {
    return this.left + ((value - this.from) / this.span) * this.width;
  }

  /** Axis value at px. */
  value(x) {
    return this.from + ((x - this.left) / this.width) * this.span;
  }

  /** Show everything. */
  whole() {
    this.from = this.axis.first;
    this.to = this.axis.first + this.wholeSpan;
  }

  /** Zoom by `factor` (above 1 is closer) about the axis value `about`. */
  zoom(factor, about) {
    const whole = this.wholeSpan;
    const span = Math.min(whole, Math.max(this.leastSpan, this.span / factor));
    const share = (about - this.from) / this.span;
    this.#place(about - share * span, span);
  }

  /** Move the window by px. */
  pan(px) {
    this.#place(this.from + (px / this.width) * this.span, this.span);
  }

  /** Move the window just enough to show a value, with a margin. */
  follow(value) {
    const margin = this.span * 0.08;
    if (value < this.from + margin) {
      this.#place(value - margin, this.span);
    } else if (value > this.to - margin) {
      this.#place(value + margin - this.span, this.span);
    }
  }

  #place(from, span) {
    const first = this.axis.first;
    const last = first + this.wholeSpan;
    this.from = Math.min(Math.max(from, first), last - span);
    this.to = this.from + span;
  }
}

/**
 * Round steps that divide a stretch into about `count` parts.
 *
 * @param {number} from
 * @param {number} to
 * @param {number} count
 * @returns {{step: number, values: number[], decimals: number}}
 */
export function ticks(from, to, count) {
  const span = to - from;
  if (!(span > 0) || !(count > 0)) {
    return { step: 1, values: [], decimals: 0 };
  }
  const raw = span / count;
  const unit = 10 ** Math.floor(Math.log10(raw));
  const step = unit * ([1, 2, 5, 10].find((round) => round * unit >= raw) ?? 10);
  const values = [];
  for (let k = Math.ceil(from / step - 1e-9); k * step <= to + step * 1e-9; k += 1) {
    values.push(k * step);
  }
  return { step, values, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

/** Lookups made already: a trace of an hour is not gone through for each drawing. @type {WeakMap<object, TraceLookup>} */
const lookups = new WeakMap();

/**
 * A trace read either way: what was travelled at a time, and when a place was first reached.
 *
 * Lookup between recorded samples is drawing, not measuring.
 */
export class TraceLookup {
  /** The lookup of a trace, made once. @param {{t_s: number[], s_mm: number[]}} trace */
  static of(trace) {
    if (!lookups.has(trace)) lookups.set(trace, new TraceLookup(trace));
    return lookups.get(trace);
  }

  /** @param {{t_s: number[], s_mm: number[], v_mm_s: number[], u_v_mm_s: number[]}} trace */
  constructor(trace) {
    this.trace = trace;
    // Travel runs forward and back; the axis of a strip over travel needs one that only grows.
    this.reached_mm = [];
    let most = -Infinity;
    for (const s of trace.s_mm) {
      most = Math.max(most, s ?? most);
      this.reached_mm.push(most);
    }
  }

  get first_mm() {
    return this.reached_mm.find(Number.isFinite) ?? 0;
  }

  get last_mm() {
    return this.reached_mm.at(-1) ?? 0;
  }

  /** Furthest place reached by a time, mm. */
  travelAt(t_s) {
    return between(this.trace.t_s, this.reached_mm, t_s);
  }

  /** When a place was first reached, s. */
  timeAt(s_mm) {
    return between(this.reached_mm, this.trace.t_s, s_mm);
  }
}

/** Value of `ys` where the rising `xs` reach `x`, linear between samples, held at the ends. */
function between(xs, ys, x) {
  const count = xs.length;
  if (count === 0) {
    return NaN;
  }
  let low = 0;
  let high = count - 1;
  if (x <= xs[0]) {
    return ys[0];
  }
  if (x >= xs[high]) {
    return ys[high];
  }
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (xs[middle] < x) {
      low = middle;
    } else {
      high = middle;
    }
  }
  const gap = xs[high] - xs[low];
  return gap > 0 ? ys[low] + ((x - xs[low]) / gap) * (ys[high] - ys[low]) : ys[high];
}

/**
 * Thin a curve to the least and greatest value in each px column, so that peaks stay.
 *
 * @param {number[]} xs  px, rising
 * @param {number[]} ys  px; NaN where there is a gap
 * @returns {[number, number][][]} pieces of polyline, cut at gaps
 */
export function thinned(xs, ys) {
  const pieces = [];
  let piece = [];
  let column = null;
  let low = null;
  let high = null;
  const flush = () => {
    if (low === null) {
      return;
    }
    piece.push(...(low[0] <= high[0] ? [low, high] : [high, low]).filter((p, i, all) => i === 0 || p !== all[0]));
    low = null;
    high = null;
  };
  for (let k = 0; k < xs.length; k += 1) {
    if (!Number.isFinite(ys[k])) {
      flush();
      if (piece.length) {
        pieces.push(piece);
      }
      piece = [];
      column = null;
      continue;
    }
    const here = Math.floor(xs[k]);
    if (here !== column) {
      flush();
      column = here;
    }
    const point = [xs[k], ys[k]];
    low = low === null || point[1] < low[1] ? point : low;
    high = high === null || point[1] > high[1] ? point : high;
  }
  flush();
  if (piece.length) {
    pieces.push(piece);
  }
  return pieces;
}
