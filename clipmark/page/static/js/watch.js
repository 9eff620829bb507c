/**
 * The watch of an attempt without a clip: started, stopped and set back by the judge. Pure but for
 * the time of day.
 */

/** Seconds since the start, stopped time left out. */
export class Watch {
  /** @param {() => number} now ms, never going back */
  constructor(now = () => performance.now()) {
    this.now = now;
    this.reset();
  }

  /** Back to nought, and stopped. */
  reset() {
    this.kept_ms = 0;
    this.since_ms = /** @type {number|null} */ (null);
    this.used = false; // whether it ran at all
  }

  get running() {
    return this.since_ms !== null;
  }

  start() {
    if (this.running) return;
    this.since_ms = this.now();
    this.used = true;
  }

  stop() {
    this.kept_ms = this.t_ms;
    this.since_ms = null;
  }

  get t_ms() {
    return this.kept_ms + (this.since_ms === null ? 0 : this.now() - this.since_ms);
  }

  /** What it shows, s, to the millisecond. */
  get t_s() {
    return Math.round(this.t_ms) / 1000;
  }
}
