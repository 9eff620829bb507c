// Edge fits on demand and the angle as the marks move. The page computes neither: it asks, and
// takes an answer only while the marks are still those it was asked for.

import { currentFit, fitFrame, fitKey } from "./fit_key.js";
import { kindOf, labelOf, markedIds, neededFor, pointsOf } from "./mark_kinds.js";
import { marksKey } from "./store.js";

const SETTLED_MS = 300;

export class Fits {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.going = new Map(); // mark id -> AbortController
    this.refit = new Set(); // fitted before, moved since
  }

  /** Fit the edges of a mark. @param {string} id */
  async fit(id) {
    const { store, notices } = this.ctx;
    const kind = kindOf(id);
    if (!kind.fit) {
      notices.say(`The ${kind.label} has no edge to fit; it is followed by its texture.`);
      return;
    }
    this.going.get(id)?.abort();
    const stop = new AbortController();
    this.going.set(id, stop);
    const key = fitKey(store.draft, id);
    store.tell("fits"); // the legend shows that it is under way
    const asked = bodiesFor(store.draft, id);
    const answers = await Promise.allSettled(asked.map((body) => this.ask(body, stop.signal)));
    if (this.going.get(id) === stop) this.going.delete(id);
    if (stop.signal.aborted || key !== fitKey(store.draft, id)) {
      store.tell("fits");
      return;
    }
    this.keep(id, key, kind, answers);
  }

  ask(body, signal) {
    return this.ctx.api.post(`api/clips/${this.ctx.store.draft.clip}/fit`, body, signal);
  }

  keep(id, key, kind, answers) {
    const { store, notices } = this.ctx;
    const good = answers.filter((one) => one.status === "fulfilled").map((one) => one.value);
    const refusals = answers.filter((one) => one.status === "rejected").map((one) => one.reason.message);
    const round = kind.shape === "pair" || kind.shape === "wheel";
    store.setFit(id, {
      forMarks: key, lines: round ? [] : good, hubs: round ? good : [], problem: refusals[0] ?? null,
    });
    const told = new Set([...refusals, ...good.flatMap((one) => one.warnings ?? [])]);
    const label = labelOf(id);
    for (const sentence of told) {
      notices.say(sentence.toLowerCase().startsWith(label) ? sentence : `${label}: ${sentence}`);
    }
  }

  isGoing(id) {
    return this.going.has(id);
  }

  /** The other edge that was found is the one that was meant. */
  async takeRunnerUp(id) {
    const { store, notices } = this.ctx;
    const fit = currentFit(store, id);
    const line = fit?.lines.length === 1 ? fit.lines[0].runner_up_line : null;
    if (!line) {
      notices.say(`No runner-up was found for the ${labelOf(id)}; fit its edge first.`);
      return;
    }
    store.change(`take the runner-up of the ${labelOf(id)}`, ({ marks }) => {
      marks[kindOf(id).field] = line.map((px) => Math.round(px * 1000) / 1000);
    });
    await this.fit(id);
  }

  /** Marks that were fitted and then moved are fitted anew once they rest. */
  again() {
    const { store } = this.ctx;
    const marked = new Set(markedIds(store.draft.marks));
    for (const [id, fit] of store.fits) {
      if (!marked.has(id)) store.setFit(id, null);
      else if (fit.forMarks !== fitKey(store.draft, id) && !this.going.has(id)) this.fit(id);
    }
  }
}

/** What to ask for one mark: a line, four sides, or hub centres. */
function bodiesFor(draft, id) {
  const { marks } = draft;
  const kind = kindOf(id);
  const common = { frame: fitFrame(marks, id), what: kind.fit };
  for (const field of ["rim_px", "lens", "view_angle", "square_within"]) {
    if (marks[field] !== null && marks[field] !== undefined) common[field] = marks[field];
  }
  const points = pointsOf(marks, id);
  const line = (a, b) => ({ ...common, line: [a.x, a.y, b.x, b.y] });
  if (kind.shape === "sheet") return points.map((corner, i) => line(corner, points[(i + 1) % 4]));
  if (kind.shape === "pair") return points.map(({ x, y }) => ({ ...common, point: [x, y] }));
  if (kind.shape === "wheel") {
    const [, , rx, ry] = marks.wheels[Number(id.split(":")[1])];
    return [{ ...common, point: [points[0].x, points[0].y], rim_px: (rx + ry) / 2 }];
  }
  return [line(points[0], points[1])];
}

/** The angle: quick while a point moves, in full once it rests. */
class AngleFollower {
  constructor(ctx) {
    this.ctx = ctx;
    this.liveGoing = false;
    this.liveWanted = false;
    this.stop = null;
    this.said = null;
  }

  get ready() {
    const { draft, clip } = this.ctx.store;
    return Boolean(draft.clip && clip?.facts) && neededFor("angle", draft.marks).length === 0;
  }

  post(live, signal) {
    const { draft } = this.ctx.store;
    return this.ctx.api.post(`api/clips/${draft.clip}/angle`, { marks: draft.marks, live }, signal);
  }

  /** One request at a time; what moved meanwhile is asked for next, what lies between never. */
  async live() {
    this.stop?.abort();
    this.liveWanted = true;
    if (this.liveGoing || !this.ready) return;
    this.liveGoing = true;
    const { store } = this.ctx;
    while (this.liveWanted && this.ready) {
      this.liveWanted = false;
      const attempt = store.key;
      const key = marksKey("angle", store.draft);
      try {
        const result = await this.post(true);
        if (store.key === attempt) store.setReading("angleLive", result, key);
      } catch {
        // while it moves, a refusal is not worth words: the full one says it
      }
    }
    this.liveGoing = false;
  }

  async full(asked = false) {
    const { store, notices } = this.ctx;
    this.stop?.abort();
    if (!this.ready) {
      if (asked) notices.say(`The angle still needs: ${neededFor("angle", store.draft.marks).join(", ")}.`);
      return;
    }
    if (!asked && store.current("angle")) return;
    const stop = new AbortController();
    this.stop = stop;
    const key = marksKey("angle", store.draft);
    try {
      const result = await this.post(false, stop.signal);
      if (stop.signal.aborted || key !== marksKey("angle", store.draft)) return; // of other marks
      this.said = null;
      store.setReading("angleRefused", null, key);
      store.setReading("angle", result, key);
    } catch (error) {
      if (error.name === "AbortError" || stop.signal.aborted) return;
      store.setReading("angleLive", null, key); // nothing moves any more, and no edge bears it out
      store.setReading("angleRefused", { sentence: error.message }, key); // the last good one is stale
      if (asked || this.said !== error.message) notices.say(error.message, asked ? "refusal" : "info");
      this.said = error.message;
    }
  }
}

/** @param {HTMLElement} _root @param {any} ctx */
export function mount(_root, ctx) {
  const { store, actions, notices } = ctx;
  const fits = new Fits(ctx);
  const angle = new AngleFollower(ctx);
  ctx.fits = fits;
  ctx.angle = angle;
  let resting = 0;
  const whenItRests = () => {
    clearTimeout(resting);
    resting = setTimeout(() => {
      if (store.held) return;
      fits.again();
      angle.full();
    }, SETTLED_MS);
  };
  store.subscribe((what) => {
    if (what.has("moving")) angle.live();
    whenItRests();
  }, ["marks", "settled", "loaded", "clip"]);

  const inHand = (run) => () => {
    const id = store.ui.hand?.mark;
    if (id) run(id);
    else notices.say("Nothing is in hand; pick a mark first.");
  };
  const add = (name, label, key, run) => actions.add({ name, label, group: "Marks", key, run });
  add("fit-edge", "Edge fit of the mark in hand", "e", inHand((id) => fits.fit(id)));
  add("take-runner-up", "Take the runner-up edge instead", "Shift+e", inHand((id) => fits.takeRunnerUp(id)));
  add("measure-angle", "Measure the angle now", "m", () => angle.full(true));
}
