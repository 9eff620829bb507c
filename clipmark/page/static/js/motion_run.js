/**
 * Measuring a motion in the background: which one, start, progress, stop; and going from one thing
 * that happened to the next.
 */

import { climbViews } from "./climb_told.js";
import { valueViews } from "./crawl_values.js";
import { button, el, put } from "./dom.js";
import { MOTIONS, MOTION_WORDS, blockersOf, wordsOf } from "./motions.js";
import { numberShelf } from "./number_shelf.js";
import { instantsOf } from "./strip_model.js";
import { stallsOf } from "./strip_motion.js";
import { marksKey } from "./store.js";
import { tiltViews } from "./tilt_told.js";

const POLL_MS = 300;

/**
 * Fill the slot of the strip's head.
 *
 * @param {HTMLElement} root  the region of the strip
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const run = new MotionRun(ctx);
  ctx.motionRun = run;
  const slot = root.querySelector(".strip-slot");
  put(slot, run.node);
  addActions(ctx, run);
  ctx.store.subscribe(() => run.update(), ["readings", "loaded", "details", "marks", "clip", "event"]);
  ctx.store.subscribe(() => run.leave(), ["loaded"]);
  run.update();
}

class MotionRun {
  constructor(ctx) {
    this.ctx = ctx;
    this.job = null;
    this.choice = /** @type {HTMLSelectElement} */ (
      el("select", { class: "motion-choice", "aria-label": "What is followed", on: { change: () => this.choose(this.choice.value) } },
        MOTIONS.map((name) => el("option", { value: name }, MOTION_WORDS[name].name)))
    );
    this.press = button("Measure crawl", () => this.toggle(), { class: "crawl-press" });
    this.bar = el("progress", { class: "crawl-bar", "aria-label": "Measuring", max: "1", hidden: true });
    this.said = el("span", { class: "crawl-said small", role: "status" });
    const views = { crawl: valueViews(() => this.test), climb: climbViews(), tilt: tiltViews() };
    this.shelves = MOTIONS.map((name) => {
      const shelf = numberShelf(views[name].map((view) => view.node), `${MOTION_WORDS[name].title} in numbers`);
      return { name, views: views[name], shelf };
    });
    this.node = el("div", { class: "crawl-run" }, this.choice, this.press, this.bar, this.said, this.shelves[0].shelf.node);
  }

  /** The test on the slip, and whether its rule sheet has grades for a crawl. */
  get test() {
    const { store } = this.ctx;
    const name = store.draft.details.test;
    return { name, grades: Boolean(store.event?.tests?.find((test) => test.id === name)?.grade_table) };
  }

  update() {
    const { store } = this.ctx;
    const { motion } = store;
    this.showNumbers(motion);
    this.choice.value = motion;
    this.choice.hidden = !store.draft.clip;
    this.choice.disabled = Boolean(this.job);
    this.press.hidden = !store.draft.clip;
    const again = store.readings[motion]?.result ? "Measure again" : `Measure ${wordsOf(motion, store.draft.marks).name}`;
    this.press.textContent = this.job ? "Stop" : again;
  }

  /** Numbers of one motion stand there; those of the others are not on the page at all. */
  showNumbers(motion) {
    const { store } = this.ctx;
    const { views, shelf } = this.shelves.find(({ name }) => name === motion);
    const other = this.shelves.find(({ shelf: one }) => one.node.parentNode === this.node);
    if (other && other.shelf !== shelf) other.shelf.node.replaceWith(shelf.node);
    const held = store.readings[motion];
    const how = held && store.current(motion) === null ? "stale" : "";
    views.forEach((view) => view.update(held?.result ?? null, how));
    shelf.update();
  }

  /** Follow another motion from now on. */
  choose(motion) {
    this.ctx.store.change("what is followed", ({ marks }) => {
      marks.motion = motion;
    });
  }

  /** The next kind of motion, for the key. */
  chooseNext() {
    const { store, notices } = this.ctx;
    if (this.job) return;
    this.choose(MOTIONS[(MOTIONS.indexOf(store.motion) + 1) % MOTIONS.length]);
    notices.brief(`What is followed: ${wordsOf(store.motion, store.draft.marks).name}.`);
  }

  toggle() {
    if (this.job) {
      this.stop();
    } else {
      this.start();
    }
  }

  /** Why it cannot be measured as it is marked, as one sentence; null where it can. */
  whyNot() {
    const { store } = this.ctx;
    const { motion } = store;
    if (!store.draft.clip) return `${MOTION_WORDS[motion].title} needs a clip; this attempt has none.`;
    const [first] = blockersOf(motion, store.draft.marks);
    return first ? first.sentence : null;
  }

  async start() {
    const { store, api, notices } = this.ctx;
    const { motion } = store;
    const sha = store.draft.clip;
    if (this.job) {
      return;
    }
    const why = this.whyNot();
    if (why) {
      notices.say(why, "refusal");
      return;
    }
    store.settle();
    if (motion !== "crawl") this.choose(motion); // what was offered is now chosen, and signed so
    const run = { motion, key: marksKey(motion, store.draft), draft: store.key, id: null, followed: [], ended: false };
    this.job = run;
    this.show(0, 0);
    this.update();
    try {
      const more = motion === "crawl" ? { test: this.test.name } : {};
      const { job } = await api.post(`api/clips/${sha}/${motion}`, { marks: store.draft.marks, ...more });
      run.id = job;
      if (run.ended) {
        await api.post(`api/jobs/${job}/stop`);
        return;
      }
      await this.poll(run);
    } catch (error) {
      if (this.job === run) {
        this.end(run, "");
        notices.say(error.message, "refusal");
      }
    }
  }

  async poll(run) {
    const { api } = this.ctx;
    while (this.job === run) {
      const test = this.test.name;
      const graded = test ? `&test=${encodeURIComponent(test)}` : "";
      const state = await api.get(`api/jobs/${run.id}?after=${run.followed.length}${graded}`);
      if (this.job !== run) {
        return;
      }
      if (state.followed?.length) {
        run.followed = [...run.followed, ...state.followed];
        this.ctx.store.setUi({ followed: run.followed });
      }
      if (state.state === "running") {
        this.show(state.done, state.total);
        await new Promise((resolve) => setTimeout(resolve, POLL_MS));
      } else {
        this.finish(run, state);
      }
    }
  }

  finish(run, state) {
    const { store, notices } = this.ctx;
    if (state.state === "done") {
      this.end(run, "");
      this.takeTravel(run);
      store.setReading(`${run.motion}Trace`, state.trace, run.key);
      store.setReading(run.motion, state.result, run.key);
    } else if (state.state === "stopped") {
      this.end(run, "stopped");
    } else {
      this.end(run, "");
      notices.say(state.error ?? `${MOTION_WORDS[run.motion].title} could not be measured.`, "refusal");
    }
  }

  /** A climb goes up, a descent down: said on the slip where nobody said it. */
  takeTravel({ motion, draft }) {
    const { store } = this.ctx;
    if (motion !== "climb" || store.key !== draft || store.draft.details.travel) return;
    store.change("travel", ({ details, marks }) => {
      details.travel = marks.mode === "descend" ? "down" : "up";
    });
  }

  async stop() {
    const run = this.job;
    if (!run) {
      return;
    }
    run.ended = true;
    this.end(run, "stopped");
    if (run.id) {
      try {
        await this.ctx.api.post(`api/jobs/${run.id}/stop`);
      } catch (error) {
        this.ctx.notices.say(error.message, "refusal");
      }
    }
  }

  /** Another attempt was opened: what is followed for the last one is of no use here. */
  leave() {
    if (this.job && this.job.draft !== this.ctx.store.key) {
      this.stop();
    }
    this.said.textContent = "";
  }

  show(done, total) {
    this.press.textContent = "Stop";
    this.bar.hidden = false;
    if (total > 0) {
      this.bar.max = total;
      this.bar.value = done;
    } else {
      this.bar.removeAttribute("value");
    }
    const tenth = total > 0 ? Math.floor((10 * done) / total) * 10 : 0;
    const text = total > 0 ? `following, ${tenth} %` : "following";
    if (this.said.textContent !== text) {
      this.said.textContent = text; // spoken at every tenth, not at every frame
    }
  }

  end(run, words) {
    if (this.job === run) {
      this.job = null;
    }
    this.bar.hidden = true;
    this.said.textContent = words;
    this.ctx.store.setUi({ followed: null });
    this.update();
  }
}

function addActions({ actions, store, clock, notices }, run) {
  /** Stalls, and what a tilt or a climb found, in order of time. */
  const happenings = () => {
    const stalls = stallsOf((store.readings[store.motion] ?? store.readings.crawl)?.result);
    const instants = instantsOf(store.readings);
    return stalls || instants.length ? [...(stalls ?? []), ...instants] : null;
  };

  const toNext = (direction) => {
    const found = happenings();
    if (!found) {
      notices.say("What happened is known once it is measured.");
      return;
    }
    // By frames: the picture shown at a stall's start is a little older than the start itself.
    const starts = found.map(({ t_s }) => clock.ordinalAt(t_s)).sort((a, b) => a - b);
    const goal = direction > 0 ? starts.find((frame) => frame > clock.ordinal) : starts.findLast((frame) => frame < clock.ordinal);
    if (goal === undefined) {
      const what = store.motion === "crawl" ? "stall" : "event";
      notices.say(starts.length ? `No ${direction > 0 ? "later" : "earlier"} ${what}.` : `There is no ${what} in it.`);
    } else {
      clock.goto(goal);
    }
  };

  const toLiftOff = () => {
    const found = instantsOf(store.readings).find((instant) => instant.kind === "lift-off");
    if (found) {
      clock.gotoTime(found.t_s);
    } else {
      const tilt = store.readings.tilt?.result;
      notices.say(tilt ? "The tilt reading found no lift-off." : "Lift-off is known from a tilt reading, and this attempt has none.");
    }
  };

  // Named as it was when there was the crawl alone: whoever gave it another key keeps that.
  actions.add({ name: "measure-crawl", label: "Measure the crawl, climb or tilt, or stop it", group: "Measure", key: "Shift+m", run: () => run.toggle() });
  actions.add({ name: "choose-motion", label: "Question: follow a crawl, a climb or a side tilt", group: "Measure", key: "q", run: () => run.chooseNext() });
  actions.add({ name: "next-stall", label: "Next stall or event", group: "Go", key: "a", run: () => toNext(1) });
  actions.add({ name: "previous-stall", label: "Stall or event before", group: "Go", key: "Shift+a", run: () => toNext(-1) });
  actions.add({ name: "lift-off", label: "Lift-off", group: "Go", key: "i", run: toLiftOff });
}
