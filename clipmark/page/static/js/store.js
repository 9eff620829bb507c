// The state of the page: one attempt's draft with undo, readings, and what is in hand.

import { onTermsOf } from "./crawl_terms.js";
import { motionOf, MOTIONS } from "./motions.js";
import { isGiven } from "./plain.js";

/**
 * @typedef {object} Draft
 * @property {string|null} attempt
 * @property {number|null} base_revision
 * @property {string|null} clip
 * @property {{clip: string, as: string, offset_s: number|null}[]} further_clips
 * @property {Record<string, any>} details
 * @property {Record<string, any>} marks
 * @property {{call: string, t_s: number, frame: number|null, note: string}[]} calls
 * @property {string|null} stand
 */

export const DETAILS = [
  "entry", "test", "try_no", "setup", "surface", "step_deg", "set_start_deg", "set_end_deg",
  "travel", "progress", "penalties", "grade", "verdict", "reason", "called_by", "note",
];

// Which marks a reading depends on: when one of them changes, the reading no longer holds.
const VIEW = ["lens", "view_angle", "square_within", "sheet", "sheet_size", "sheet_u_mm", "true_fps"];
const DEPENDS = {
  angle: [
    ...VIEW, "frame", "ramp", "chassis", "hubs", "rim_px", "level", "plumb", "level_u", "facing",
    "edge_fit",
  ],
  crawl: [...VIEW, "frame", "patch_frame", "patch", "span", "travel", "scale", "scale_mm", "wheels",
    "wheel_mm"],
  climb: [...VIEW, "edge_fit", "frame", "patch_frame", "patch", "ramp", "hubs", "wheels", "wheel_mm", "finish",
    "mode", "facing", "level", "plumb", "level_u", "span", "scale", "scale_mm", "give_up_s"],
  tilt: [...VIEW, "edge_fit", "frame", "platform", "chassis", "uphill_tyres", "level", "plumb", "level_u", "scale",
    "scale_mm", "track_mm", "track_u_mm", "low_side", "gap_mm", "span", "join"],
};

// The quick look while dragging, a refusal and the trace rest on the same marks as the reading.
DEPENDS.angleLive = DEPENDS.angle;
DEPENDS.angleRefused = DEPENDS.angle;
for (const name of MOTIONS) DEPENDS[`${name}Trace`] = DEPENDS[name];

/** @returns {Draft} */
export function emptyDraft(clip = null, details = {}) {
  return {
    attempt: null,
    base_revision: null,
    clip,
    further_clips: [],
    details: { ...Object.fromEntries(DETAILS.map((name) => [name, null])), ...details },
    marks: { frame: 0, square_within: 5 },
    calls: [],
    stand: null,
  };
}

/** What a reading of this draft rests on, as a text to compare. */
export function marksKey(name, draft) {
  const used = DEPENDS[name] ?? Object.keys(draft.marks);
  const marks = Object.fromEntries(used.map((field) => [field, isGiven(draft.marks[field]) ? draft.marks[field] : null]));
  if (name === "crawl" || name === "crawlTrace") marks.nose = noseOf(draft.marks);
  return JSON.stringify([draft.clip, marks]);
}

/** Where the nose points: as said, else by the hubs, rear first. All that a crawl takes of them. */
function noseOf({ facing, hubs }) {
  if (facing || !hubs) return facing ?? null;
  return hubs[2] > hubs[0] ? "right" : "left";
}

function frozen(value) {
  if (value && typeof value === "object" && !Object.isFrozen(value)) {
    Object.values(value).forEach(frozen);
    Object.freeze(value);
  }
  return value;
}

/** One attempt as it is on the page; whoever shows something of it subscribes. */
export class Store {
  constructor() {
    /** @type {Draft} */
    this.draft = frozen(emptyDraft());
    this.key = null; // of the draft on the server
    this.revision = null; // of the attempt it was made from
    this.event = null;
    this.clip = null; // the opened clip, with times_s
    this.readings = {};
    this.fits = new Map();
    this.newer = null; // somebody else's revision of this attempt
    this.ui = { tool: null, hand: null, armed: false, wrong: {} };
    this.signed = JSON.stringify(this.draft);
    this.past = [];
    this.future = [];
    this.held = null; // state before a change that is still going on
    this.listeners = [];
  }

  /**
   * @param {(what: Set<string>) => void} fn
   * @param {string[]} [kinds] only for these; all when left out
   * @returns {() => void} stops it
   */
  subscribe(fn, kinds) {
    const entry = { fn, kinds };
    this.listeners.push(entry);
    return () => {
      this.listeners = this.listeners.filter((item) => item !== entry);
    };
  }

  tell(...kinds) {
    const what = new Set(kinds);
    for (const { fn, kinds: wanted } of [...this.listeners]) {
      if (!wanted || wanted.some((kind) => what.has(kind))) fn(what);
    }
  }

  /** Something is marked or filled in that no revision holds. */
  get dirty() {
    return JSON.stringify(this.draft) !== this.signed;
  }

  /** Take up a draft; undo starts anew. `signed` is the draft of the newest revision, if any. */
  load({ key, draft, revision = null, readings = {}, traces = {}, signed = null }) {
    this.key = key;
    this.draft = frozen(structuredClone(draft));
    this.revision = revision;
    this.signed = JSON.stringify(signed ?? (revision === null ? emptyDraft(draft.clip) : draft));
    this.past = [];
    this.future = [];
    this.held = null;
    this.fits = new Map();
    this.newer = null;
    this.readings = {};
    for (const [name, result] of Object.entries(readings)) {
      if (result) this.readings[name] = { forMarks: marksKey(name, signed ?? draft), result };
    }
    for (const [name, result] of Object.entries(traces)) {
      if (result) this.readings[`${name}Trace`] = { forMarks: marksKey(name, signed ?? draft), result };
    }
    this.ui = { ...this.ui, tool: null, hand: null, wrong: {} };
    this.tell("loaded", "draft", "marks", "details", "calls", "readings", "fits", "ui");
  }

  /**
   * The draft that was sent is signed; what was changed while the answer was on its way is not.
   * @param {{id: string, revision: number, readings?: Record<string, any>}} answer
   * @param {Draft} sent
   */
  noteSigned({ id, revision, readings }, sent) {
    this.settle();
    const signed = rebased(sent, id, revision);
    this.draft = rebased(this.draft, id, revision);
    this.key = id;
    this.revision = revision;
    this.signed = JSON.stringify(signed);
    this.newer = null;
    for (const step of [...this.past, ...this.future]) {
      // undoing past the signature must not go back to an older base
      step.before = rebased(step.before, id, revision);
      step.after = rebased(step.after, id, revision);
    }
    for (const [name, result] of Object.entries(readings ?? {})) {
      if (result) this.readings[name] = { forMarks: marksKey(name, signed), result };
    }
    this.tell("saved", "draft", "readings");
  }

  /** One step that can be undone. `fn` changes a copy of the draft. */
  change(label, fn) {
    this.settle();
    const before = this.draft;
    const after = this.altered(fn);
    if (after === null) return;
    this.past.push({ label, before, after });
    this.future = [];
    this.become(after);
  }

  /** A change that goes on, as while dragging: one undo step from the first to `settle`. */
  changing(label, fn) {
    if (this.held && this.held.label !== label) this.settle(); // another thing is in hand now
    if (!this.held) this.held = { label, before: this.draft };
    const after = this.altered(fn);
    if (after !== null) this.become(after, "moving");
  }

  /** The change that went on is over. */
  settle() {
    if (!this.held) return;
    const { label, before } = this.held;
    this.held = null;
    if (JSON.stringify(before) !== JSON.stringify(this.draft)) {
      this.past.push({ label, before, after: this.draft });
      this.future = [];
      this.tell("draft", "marks", "settled");
    }
  }

  altered(fn) {
    const copy = structuredClone(this.draft);
    fn(copy);
    return JSON.stringify(copy) === JSON.stringify(this.draft) ? null : frozen(copy);
  }

  become(draft, ...more) {
    const old = this.draft;
    this.draft = draft;
    const kinds = ["draft", ...more];
    for (const part of ["marks", "details", "calls"]) {
      if (JSON.stringify(old[part]) !== JSON.stringify(draft[part])) kinds.push(part);
    }
    if (old.clip !== draft.clip || old.stand !== draft.stand) kinds.push("details");
    this.tell(...kinds);
  }

  get canUndo() {
    return this.past.length > 0;
  }

  get canRedo() {
    return this.future.length > 0;
  }

  /** @returns {string|null} what was undone */
  undo() {
    this.settle();
    const step = this.past.pop();
    if (!step) return null;
    this.future.push(step);
    this.become(step.before);
    return step.label;
  }

  /** @returns {string|null} what was done again */
  redo() {
    this.settle();
    const step = this.future.pop();
    if (!step) return null;
    this.past.push(step);
    this.become(step.after);
    return step.label;
  }

  /**
   * A field holds a text that cannot be read, or no longer does.
   * @param {{name: string, label: string, mark?: string}} field of the slip, or of a mark
   * @param {string|null} error why
   */
  setWrong({ name, label, mark }, error) {
    if ((this.ui.wrong[name]?.error ?? null) === error) return;
    const { [name]: _, ...others } = this.ui.wrong;
    this.setUi({ wrong: error ? { ...others, [name]: { label, mark, error } } : others });
  }

  setUi(change) {
    this.ui = { ...this.ui, ...change };
    this.tell("ui");
  }

  /**
   * @param {string} name "angle", "angleLive", "crawl" ...
   * @param {any} result null takes the reading away
   * @param {string} key of the marks it was made of, as `marksKey` gives it
   */
  setReading(name, result, key) {
    const during = this.held; // which movement of the hand it was made in
    this.readings = { ...this.readings, [name]: result ? { forMarks: key, result, during } : undefined };
    this.tell("readings");
  }

  /** The motion that is followed, or offered to be. */
  get motion() {
    return motionOf(this.draft, this.event, this.readings);
  }

  /** The reading of the marks as they are now, or null when they, or its terms, changed since. */
  current(name) {
    const held = this.readings[name];
    if (!held || held.forMarks !== marksKey(name, this.draft)) return null;
    if (name === "crawl" && !onTermsOf(held.result, this.event, this.draft.details.test)) return null;
    return held.result;
  }

  setFit(mark, fit) {
    if (fit) this.fits.set(mark, fit);
    else this.fits.delete(mark);
    this.tell("fits");
  }

  setEvent(event) {
    this.event = event;
    this.tell("event");
  }

  setClip(clip) {
    this.clip = clip;
    this.tell("clip");
  }
}

function rebased(draft, id, revision) {
  return frozen({ ...structuredClone(draft), attempt: id, base_revision: revision });
}
