/**
 * Beside the frame, in the ladder's place: a climb or a side tilt, on which terms it is measured,
 * what that still needs, and what was found. The ladder is one press away.
 */

import { climbNodes } from "./climb_told.js";
import { button, el, put } from "./dom.js";
import { field } from "./form_parts.js";
import { goMark } from "./missing.js";
import { BOUNDS, kindOf } from "./mark_kinds.js";
import { needsOf, wordsOf } from "./motions.js";
import { decimalsFor, fixed, seconds } from "./numbers.js";
import { withoutOptions } from "./plain.js";
import { tiltNodes } from "./tilt_told.js";

/**
 * Fill the region, and the row of two presses over it.
 *
 * @param {HTMLElement} root
 * @param {any} ctx
 */
export function mount(root, ctx) {
  ctx.runPanel = new RunPanel(root, ctx);
}

const LENGTH = { kind: "number", unit: "mm", ...BOUNDS.length_mm };

/** Terms by motion: what stands beside the marks under the same name. */
const TERMS = {
  crawl: [],
  climb: [
    { name: "mode", label: "Which way", kind: "choice", choices: [[null, "up the board"], ["descend", "down, stop, back up"]] },
    { name: "wheel_mm", label: "Wheel diameter", ...LENGTH },
    { name: "give_up_s", label: "Over after standing for", kind: "number", unit: "s", least: 0, most: 3600, hint: "0.75 where nothing is said" },
  ],
  tilt: [
    { name: "gap_mm", label: "Gap that counts", ...LENGTH, hint: "1 where nothing is said" },
    { name: "track_mm", label: "Track", ...LENGTH, hint: "outer edges of the tyres' contact" },
    { name: "track_u_mm", label: "Track good to (u)", kind: "number", unit: "mm", least: 0, most: 1e5, hint: "0.5 where nothing is said" },
    { name: "low_side", label: "Low side of the truck", kind: "choice", choices: [[null, "as seen"], ["left", "left"], ["right", "right"]] },
    { name: "join", label: "Join the other side", kind: "choice", choices: [[null, "none"]] },
  ],
};

class RunPanel {
  constructor(root, ctx) {
    this.ctx = ctx;
    this.root = root;
    this.main = /** @type {HTMLElement} */ (root.closest("main"));
    this.sides = /** @type {HTMLElement} */ (document.getElementById("side"));
    this.ladder = /** @type {HTMLElement} */ (document.getElementById("ladder"));
    this.toLadder = button("Step ladder", () => this.turn("ladder"), { class: "side-press" });
    this.toRun = button("", () => this.turn("run"), { class: "side-press" });
    put(this.sides, this.toLadder, this.toRun);
    this.needed = el("div", { class: "run-needs" });
    this.grid = el("div", { class: "run-terms-grid" });
    this.span = el("p", { class: "small soft" });
    this.summary = el("summary", {}, "Terms");
    this.terms = el("details", { class: "run-terms", open: true }, this.summary, this.grid, this.span);
    this.press = button("", () => ctx.actions.run("measure-crawl"), { class: "run-press" });
    this.found = el("div", { class: "run-found", role: "group" });
    this.sheet = el("div", { class: "run-sheet" }, this.needed, this.terms, this.press, this.found);
    put(root, this.sheet);
    this.fields = [];
    this.shown = null; // the motion whose terms stand there
    this.drawn = []; // what the result was drawn from
    this.tilts = [];
    this.asked = "";
    const { store } = ctx;
    store.subscribe((what) => this.update(what), ["marks", "details", "readings", "loaded", "saved", "event", "clip", "ui"]);
    this.update(new Set(["loaded"]));
  }

  /** Which of the two is shown: as pressed, else what is being worked on. */
  get side() {
    const { store } = this.ctx;
    const { motion, ui } = store;
    if (motion === "crawl" || !store.draft.clip) return "ladder";
    if (ui.side) return ui.side;
    const inHand = store.draft.marks.motion === motion || store.readings[motion]?.result;
    return motion === "tilt" || inHand ? "run" : "ladder";
  }

  turn(side) {
    this.ctx.store.setUi({ side });
  }

  /** Show a term and begin to write it. */
  focusTerm(name) {
    this.turn("run");
    this.terms.open = true;
    const found = this.fields.find((item) => item.name === name);
    found?.input.scrollIntoView({ block: "nearest" });
    found?.input.focus();
  }

  update(what) {
    const { store } = this.ctx;
    const { motion } = store;
    if (what.has("loaded")) {
      if (store.ui.side) store.ui.side = null; // it was turned for another attempt
      this.terms.open = true;
      this.asked = "";
    }
    const { side } = this;
    this.showSide(side, motion);
    if (motion === "crawl") return;
    if (this.shown !== motion) this.build(motion);
    for (const item of this.fields) item.update();
    if (motion === "tilt") this.askForTilts();
    this.showNeeds(motion);
    this.showSpan();
    this.showPress();
    this.showFound(motion);
  }

  showSide(side, motion) {
    const { store } = this.ctx;
    const words = wordsOf(motion, store.draft.marks);
    this.sides.hidden = motion === "crawl" || !store.draft.clip;
    this.main.dataset.side = this.sides.hidden ? "" : side;
    this.main.dataset.marking = store.ui.tool || store.ui.hand ? "yes" : "no";
    this.root.hidden = side !== "run";
    this.ladder.hidden = side === "run";
    this.toRun.textContent = words.title;
    this.root.setAttribute("aria-label", words.title);
    this.toLadder.setAttribute("aria-pressed", String(side === "ladder"));
    this.toRun.setAttribute("aria-pressed", String(side === "run"));
  }

  build(motion) {
    this.shown = motion;
    this.fields = TERMS[motion].map((spec) => boundField(this.ctx, spec));
    put(this.grid, this.fields.map((item) => item.node));
  }

  /** Saved tilts of this entry, to be joined with; asked anew when the entry or the journal changed. */
  async askForTilts() {
    const { store, api } = this.ctx;
    const { entry } = store.draft.details;
    const mine = JSON.stringify([entry, store.draft.attempt, store.event?.seq, store.revision]);
    if (this.asked === mine) return;
    this.asked = mine;
    try {
      const { tilts } = entry ? await api.get(`api/tilts?entry=${encodeURIComponent(entry)}`) : { tilts: [] };
      if (this.asked !== mine) return;
      this.tilts = tilts.filter((tilt) => tilt.attempt !== store.draft.attempt);
    } catch {
      this.tilts = []; // that the server is silent is said elsewhere
    }
    const join = this.fields.find((item) => item.name === "join");
    join?.setChoices([[null, "none"], ...this.tilts.map((tilt) => [tilt.attempt, tiltWords(tilt)]), ...this.gone()]);
    join?.update();
  }

  /** One that was chosen stays to be seen, whatever became of it. */
  gone() {
    const { join } = this.ctx.store.draft.marks;
    return join && !this.tilts.some((tilt) => tilt.attempt === join) ? [[join, join]] : [];
  }

  showNeeds(motion) {
    const { store } = this.ctx;
    const needs = needsOf(motion, store.draft.marks);
    const signature = `${motion} ${JSON.stringify(needs)}`;
    if (this.needsDrawn === signature) return;
    this.needsDrawn = signature;
    const held = this.needed.contains(document.activeElement);
    const blocking = needs.filter((need) => need.blocks);
    const more = needs.filter((need) => !need.blocks);
    const list = (label, items) => items.length > 0 && el("details", { class: "run-need", open: items[0].blocks },
      el("summary", {}, label),
      el("ul", { role: "list" }, items.map((need) => el("li", {}, el("span", { class: "small" }, need.sentence), this.needPress(need)))));
    put(this.needed, list("Still needed to measure", blocking), list(`Could tell more (${more.length})`, more));
    if (held) (this.needed.querySelector("button") ?? this.press).focus({ preventScroll: true });
  }

  needPress({ label, way }) {
    const go = () => (way.term ? this.focusTerm(way.term) : goMark(way.mark, this.ctx));
    const words = way.term ? `Give the ${label}` : `Mark the ${kindOf(way.mark).label}`;
    return button(words, go, { class: "run-need-press" });
  }

  showSpan() {
    const { store, clock } = this.ctx;
    const { span } = store.draft.marks;
    const at = (frame) => `${frame} (${seconds(clock.tOf(frame))})`;
    const text = span ? `From frame ${at(span[0])} to ${at(span[1])}, as on the slip.` : "The whole clip: no from and to on the slip.";
    if (this.span.textContent !== text) this.span.textContent = text;
  }

  showPress() {
    const run = this.ctx.motionRun;
    if (!run) return;
    this.press.textContent = run.press.textContent;
    this.press.setAttribute("aria-disabled", String(!run.job && run.whyNot() !== null));
  }

  showFound(motion) {
    const { store, clock } = this.ctx;
    const held = store.readings[motion]?.result ?? null;
    const stale = held !== null && store.current(motion) === null;
    const now = [motion, held, stale, Boolean(store.draft.marks.join)];
    if (now.every((value, at) => value === this.drawn[at])) return;
    if (held && this.drawn[1] !== held && this.drawn[0] === motion) this.terms.open = false;
    this.drawn = now;
    this.found.hidden = held === null;
    this.found.setAttribute("aria-label", `${wordsOf(motion, store.draft.marks).title}: what was found`);
    if (!held) {
      put(this.found);
      return;
    }
    const goTo = (at) => (Number.isInteger(at.frame) ? clock.goto(at.frame) : clock.gotoTime(at.t_s));
    const nodes = motion === "tilt" ? tiltNodes(held, goTo) : climbNodes(held, goTo);
    put(
      this.found,
      stale && el("p", { class: "warn small" }, "Of before the last change: the marks as they are have not been measured."),
      joinedElsewhere(motion, held, store.draft.marks) && el("p", { class: "warn small" }, "It was joined with a file on the command line, which is not known here: measured again, it is joined with the attempt chosen above, or with none."),
      ...nodes,
      notesNode(held.warnings ?? []),
    );
  }
}

function joinedElsewhere(motion, result, marks) {
  return motion === "tilt" && Boolean(result.settings?.joined_with) && !marks.join;
}

function notesNode(warnings) {
  if (warnings.length === 0) return null;
  return el("details", { class: "run-notes" }, el("summary", {}, `Notes (${warnings.length})`), el("ul", {}, warnings.map((text) => el("li", { class: "small" }, withoutOptions(text)))));
}

/** "a0003: right side low, 41.97 ± 0.31°" */
function tiltWords({ attempt, low_side: side, tilt_deg: tilt, tilt_u95_deg: u95, test }) {
  const places = decimalsFor(u95);
  return `${attempt}: ${side} low, ${fixed(tilt, places)} ± ${fixed(u95, places)}° (${test})`;
}

/** A field of a form that writes one term of the marks, and follows it. */
function boundField({ store }, spec) {
  const item = field({ ...spec, value: store.draft.marks[spec.name] ?? null });
  item.input.dataset.term = spec.name;
  item.input.addEventListener("change", () => {
    if (item.problem() !== null) return;
    const value = item.read();
    store.change(spec.label.toLowerCase(), ({ marks }) => {
      marks[spec.name] = value === "" ? null : value;
    });
  });
  // Keys of a field are not keys of the frame beside it.
  item.input.addEventListener("keydown", (event) => event.key !== "Escape" && event.stopPropagation());
  const update = () => {
    if (document.activeElement === item.input && item.input.tagName !== "SELECT") return; // being typed
    const kept = store.draft.marks[spec.name] ?? null;
    if (item.read() !== kept) item.write(kept);
  };
  return { ...item, update };
}
