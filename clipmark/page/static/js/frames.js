// Pictures of frames: what is at hand at once, the exact one as soon as it comes, neighbours ahead.
//
// A picture goes by the ordinal the server says it is (X-Frame-Ordinal), never by the one asked for.

import { PictureCache } from "./picture_cache.js";

const WIDTHS = [480, 640, 960, 1280, 1600, 1920, 2560, 3840]; // the server's steps, px
const BOUND_BYTES = 300e6;
const REACH = 12; // exact frames kept ready on either side
const AHEAD_AT_ONCE = 3; // leaves connections free for the frame in hand
const KEPT_AT_ONCE = 2;
const RUN_AT_ONCE = 4;
const SCRUB_MS = 120; // far jumps closer together than this are one movement of the hand
const SETTLE_MS = 60;
const KEPT_FIRST_MS = 20;
const HINT_MS = 60;
const BUSY_MS = 400;
const GONE_MS = 2000;
const RETRY_KEPT_MS = 1500;

/**
 * Width to ask for: enough for what is shown, in the server's steps, never more than there is.
 * @param {number} needed device px across the whole picture
 * @param {number} full px of the upright picture
 */
function widthFor(needed, full) {
  return Math.min(full, WIDTHS.find((step) => step >= needed) ?? full);
}

/**
 * Neighbours in the order they are likely to be asked for: two ahead for one behind.
 * @param {number} at @param {number} direction @param {number} reach
 * @returns {number[]}
 */
function neighbours(at, direction, reach) {
  const ahead = direction < 0 ? -1 : 1;
  const found = [];
  let behind = 1;
  for (let step = 1; step <= reach; step += 1) {
    found.push(at + ahead * step);
    if (step % 2 === 1 && behind <= reach) found.push(at - ahead * behind++);
  }
  while (behind <= reach) found.push(at - ahead * behind++);
  return found;
}

class Frames {
  /**
   * @param {import("./store.js").Store} store
   * @param {import("./clock.js").Clock} clock
   * @param {typeof import("./api.js").api} api
   */
  constructor(store, clock, api) {
    this.store = store;
    this.clock = clock;
    this.api = api;
    this.cache = new PictureCache(BOUND_BYTES);
    this.listeners = new Set();
    /** @type {Map<string, {ordinal: number, exact: boolean, width: number, stop: AbortController}>} */
    this.pending = new Map();
    this.refused = new Map(); // ordinal -> sentence
    this.needed = 960;
    this.latest = null; // kept picture that came last, whatever frame it is
    this.jumpedAt = 0;
    this.scrubbing = false; // one far jump right after another: the hand is still moving
    this.at = -1;
    this.costMs = { kept: 15, exact: 25 }; // of one picture, smoothed
    this.noKeptUntil = 0;
    this.hint = { at: 0, timer: 0, place: -1 };
    this.sha = null;
    store.subscribe(() => this.follow(), ["clip"]);
    clock.subscribe(() => this.focus());
    this.follow();
  }

  /**
   * The best picture of exactly this frame that is at hand.
   * @returns {import("./picture_cache.js").Picture|null}
   */
  get(ordinal) {
    return this.cache.get(ordinal, true) ?? this.cache.get(ordinal, false);
  }

  /** The kept picture that came last, of whatever frame; it says which. */
  standIn() {
    return this.latest === null ? null : this.cache.get(this.latest, false);
  }

  /** Why a frame has no exact picture, or null. */
  problem(ordinal) {
    return this.refused.get(ordinal) ?? null;
  }

  /** @param {(picture: {ordinal: number, exact: boolean}) => void} fn */
  subscribe(fn) {
    this.listeners.add(fn);
    return () => this.listeners.delete(fn);
  }

  /** @param {number} px device px that the whole picture is shown across */
  setNeed(px) {
    const before = this.width;
    this.needed = px;
    if (this.width > before) this.focus();
  }

  get width() {
    return widthFor(this.needed, this.store.clip?.facts?.width ?? this.needed);
  }

  /** Another clip: nothing of the one before is of use. */
  follow() {
    const sha = this.store.clip?.facts ? this.store.clip.sha : null;
    if (sha === this.sha) return;
    for (const { stop } of this.pending.values()) stop.abort();
    this.pending.clear();
    this.cache.clear();
    this.refused.clear();
    this.latest = null;
    this.hint.place = -1;
    this.sha = sha;
    this.at = -1;
    this.focus();
  }

  /** The clock moved, or more is needed: ask for what is shown now and what may be next. */
  focus() {
    if (!this.sha) return;
    const ordinal = this.clock.ordinal;
    const far = Math.abs(ordinal - this.at) > REACH;
    if (ordinal !== this.at) this.refused.delete(ordinal);
    this.at = ordinal;
    if (this.clock.playing) {
      this.run();
      return;
    }
    this.dropStale(ordinal);
    clearTimeout(this.settling);
    if (!this.cache.has(ordinal, true, this.width)) {
      const now = performance.now();
      this.scrubbing = far && now - this.jumpedAt < SCRUB_MS;
      if (far) this.jumpedAt = now;
      const kept = !this.cache.has(ordinal, true) && this.askKept(ordinal);
      if (far && (kept || this.scrubbing)) {
        // decoding from a key frame is long: the kept picture goes first, and gets the processor
        const wait = this.scrubbing ? SETTLE_MS : KEPT_FIRST_MS;
        this.settling = setTimeout(() => this.ask(ordinal, true), wait);
      } else {
        this.ask(ordinal, true);
      }
    }
    setTimeout(() => this.readAhead()); // the picture in hand is painted first
  }

  dropStale(ordinal) {
    for (const [key, one] of this.pending) {
      if (one.exact && Math.abs(one.ordinal - ordinal) > REACH) {
        one.stop.abort();
        this.pending.delete(key);
      }
    }
  }

  /**
   * Kept pictures come quickly; more than two at once would only make each other late.
   * @returns {boolean} whether one was asked for
   */
  askKept(ordinal) {
    if (performance.now() < this.noKeptUntil || this.cache.has(ordinal, false)) return false;
    const going = [...this.pending.values()].filter((one) => !one.exact).length;
    return going < KEPT_AT_ONCE && this.ask(ordinal, false);
  }

  readAhead() {
    const { count, ordinal, direction, playing } = this.clock;
    if (playing || !this.sha || !this.cache.has(ordinal, true, this.width)) return;
    this.sayHere(ordinal);
    const { width, height } = this.store.clip.facts;
    const bytes = 4 * this.width * this.width * (height / width);
    const reach = Math.min(REACH, Math.floor((0.8 * BOUND_BYTES) / bytes / 2));
    let going = [...this.pending.values()].filter((one) => one.exact).length;
    for (const next of neighbours(ordinal, direction, reach)) {
      if (going >= AHEAD_AT_ONCE) return;
      if (next < 0 || next >= count || this.refused.has(next)) continue;
      if (!this.cache.has(next, true, this.width) && this.ask(next, true)) going += 1;
    }
  }

  /** While running: pictures for the instants to come, as many as come in time. */
  run() {
    const { clock } = this;
    const every = Math.max(1, this.store.clip.cache?.every ?? 1);
    const slow = clock.rate <= 0.5;
    const kept = !slow && performance.now() >= this.noKeptUntil;
    const intervalMs =
      (1000 * ((clock.tOf(clock.count - 1) - clock.tOf(0)) / (clock.count - 1))) / clock.rate;
    const costMs = this.costMs[kept ? "kept" : "exact"];
    const stride = Math.max(1, Math.ceil(costMs / RUN_AT_ONCE / intervalMs));
    const lead = Math.max(1, Math.ceil(costMs / intervalMs));
    let going = this.pending.size;
    for (let i = 0; i < 12 && going < RUN_AT_ONCE; i += 1) {
      let next = clock.ordinal + lead + i * stride;
      if (kept) next = Math.ceil(next / every) * every;
      if (next >= clock.count) return;
      if (this.cache.has(next, true) || (kept && this.cache.has(next, false))) continue;
      if (this.ask(next, !kept)) going += 1;
    }
  }

  /** Start fetching; false when it is already on its way. */
  ask(ordinal, exact) {
    const width = exact ? this.width : 0;
    const key = `${exact ? "exact" : "kept"}-${ordinal}`;
    const going = this.pending.get(key);
    if (going && going.width >= width) return false;
    going?.stop.abort();
    const one = { ordinal, exact, width, stop: new AbortController() };
    this.pending.set(key, one);
    this.fetch(one, this.sha)
      .catch((error) => this.noteFailure(one, error))
      .finally(() => {
        if (this.pending.get(key) === one) this.pending.delete(key);
        if (one.stop.signal.aborted) return;
        if (!this.clock.playing && !exact) this.catchUp(one.ordinal);
        this.readAhead();
      });
    return true;
  }

  async fetch({ ordinal, exact, width, stop }, sha) {
    const began = performance.now();
    const path = exact
      ? `api/clips/${sha}/frames/${ordinal}.jpg?width=${width}`
      : `api/clips/${sha}/preview/${ordinal}.jpg`;
    const { blob, headers } = await this.api.picture(path, stop.signal);
    const named = headers.get("x-frame-ordinal");
    const bitmap = await createImageBitmap(blob);
    if (stop.signal.aborted || sha !== this.sha) {
      bitmap.close();
      return;
    }
    const real = named === null ? NaN : Number(named);
    if (!Number.isInteger(real) || (exact && real !== ordinal)) {
      bitmap.close();
      throw new Error(`Frame ${ordinal} was asked for, but what came is not said to be it; reload the page.`);
    }
    this.noteCost(exact ? "exact" : "kept", performance.now() - began);
    const damaged = headers.get("x-frame-damaged") === "1";
    this.cache.put({ bitmap, ordinal: real, exact, damaged });
    if (exact) this.refused.delete(real);
    else this.latest = real;
    for (const fn of [...this.listeners]) fn({ ordinal: real, exact });
  }

  /** A far jump decodes from its key frame: one such must not make a run look slow for long. */
  noteCost(kind, ms) {
    this.costMs[kind] += 0.2 * (Math.min(ms, 4 * this.costMs[kind]) - this.costMs[kind]);
    this.costMs[kind] = Math.min(200, this.costMs[kind]);
  }

  noteFailure({ ordinal, exact }, error) {
    if (error.name === "AbortError") return;
    if (!exact) {
      this.noKeptUntil = performance.now() + RETRY_KEPT_MS; // nothing kept near here yet
      return;
    }
    if (error.status === 503 || error.status === 429) {
      setTimeout(() => this.focus(), BUSY_MS); // others are being served: ask again
      return;
    }
    this.refused.set(ordinal, error.message);
    if (error.status === 0) setTimeout(() => this.askAgain(ordinal), GONE_MS); // the server may come back
    for (const fn of [...this.listeners]) fn({ ordinal, exact });
  }

  askAgain(ordinal) {
    if (!this.refused.delete(ordinal) || ordinal !== this.clock.ordinal) return;
    this.focus();
  }

  /** A kept picture came: now for the exact one; or for where the hand has moved to meanwhile. */
  catchUp(came) {
    const { ordinal } = this.clock;
    if (this.cache.has(ordinal, true)) return;
    if (came !== ordinal) this.askKept(ordinal);
    else if (!this.scrubbing) this.ask(ordinal, true);
  }

  /** Tell the server where the work is, at most every HINT_MS, the last word always. */
  sayHere(place) {
    if (this.hint.place === place) return;
    this.hint.place = place;
    clearTimeout(this.hint.timer);
    const wait = Math.max(0, this.hint.at + HINT_MS - performance.now());
    this.hint.timer = setTimeout(() => {
      this.hint.at = performance.now();
      const { ordinal, direction } = this.clock;
      const body = { ordinal, direction, width: this.width };
      // only a hint: nothing is lost when it does not arrive
      this.api.post(`api/clips/${this.sha}/here`, body).catch(() => {});
    }, wait);
  }
}

/** @param {any} ctx @returns {Frames} */
export function createFrames({ store, clock, api }) {
  return new Frames(store, clock, api);
}
