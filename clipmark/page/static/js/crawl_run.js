/**
 * Measuring a crawl in the background: start, progress, stop; and going from stall to stall.
 */

import { valueViews } from "./crawl_values.js";
import { button, el, put } from "./dom.js";
import { numberShelf } from "./number_shelf.js";
import { instantsOf } from "./strip_model.js";
import { stallsOf } from "./strip_motion.js";
import { marksKey } from "./store.js";

const POLL_MS = 300;

/**
 * Fill the slot of the strip's head.
 *
 * @param {HTMLElement} root  the region of the strip
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const run = new CrawlRun(ctx);
  const slot = root.querySelector(".strip-slot");
  put(slot, run.node);
  addActions(ctx, run);
  ctx.store.subscribe(() => run.update(), ["readings", "loaded", "details", "marks", "clip", "event"]);
  ctx.store.subscribe(() => run.leave(), ["loaded"]);
  run.update();
}

class CrawlRun {
  constructor(ctx) {
    this.ctx = ctx;
    this.job = null;
    this.views = valueViews(() => this.test);
    this.press = button("Measure crawl", () => this.toggle(), { class: "crawl-press" });
    this.bar = el("progress", { class: "crawl-bar", "aria-label": "Measuring the crawl", max: "1", hidden: true });
    this.said = el("span", { class: "crawl-said small", role: "status" });
    this.shelf = numberShelf(this.views.map((view) => view.node), "The crawl in numbers");
    this.proposed = el("p", { class: "climb-proposed small", hidden: true });
    this.node = el("div", { class: "crawl-run" }, this.press, this.bar, this.said, this.proposed, this.shelf.node);
  }

  /** The test on the slip, and whether its rule sheet has grades for a crawl. */
  get test() {
    const { store } = this.ctx;
    const name = store.draft.details.test;
    return { name, grades: Boolean(store.event?.tests?.find((test) => test.id === name)?.grade_table) };
  }

  update() {
    const { store } = this.ctx;
    const held = store.readings.crawl;
    const how = held && store.current("crawl") === null ? "stale" : "";
    this.views.forEach((view) => view.update(held?.result ?? null, how));
    this.shelf.update();
    this.propose(store.readings.climb?.result);
    this.press.hidden = !store.draft.clip;
    const again = held?.result ? "Measure again" : "Measure crawl";
    this.press.textContent = this.job ? "Stop" : again;
  }

  /** What a climb reading says of the attempt, beside the verdict and never as one. */
  propose(climb) {
    this.proposed.hidden = !climb?.proposed;
    if (climb?.proposed) put(this.proposed, `The footage proposes ${climb.proposed}: ${climb.reason}. The verdict is the judge's.`);
  }

  toggle() {
    if (this.job) {
      this.stop();
    } else {
      this.start();
    }
  }

  async start() {
    const { store, api, notices } = this.ctx;
    const sha = store.draft.clip;
    if (this.job) {
      return;
    }
    if (!sha) {
      notices.say("A crawl needs a clip; this attempt has none.", "refusal");
      return;
    }
    store.settle();
    const run = { key: marksKey("crawl", store.draft), draft: store.key, id: null, followed: [], ended: false };
    this.job = run;
    this.show(0, 0);
    try {
      const { job } = await api.post(`api/clips/${sha}/crawl`, {
        marks: store.draft.marks,
        test: this.test.name,
      });
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
      store.setReading("crawlTrace", state.trace, run.key);
      store.setReading("crawl", state.result, run.key);
    } else if (state.state === "stopped") {
      this.end(run, "stopped");
    } else {
      this.end(run, "");
      notices.say(state.error ?? "The crawl could not be measured.", "refusal");
    }
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
  const toStall = (direction) => {
    const stalls = stallsOf(store.readings.crawl?.result);
    if (!stalls) {
      notices.say("Stalls are known once the crawl is measured.");
      return;
    }
    // By frames: the picture shown at a stall's start is a little older than the start itself.
    const starts = stalls.map((stall) => clock.ordinalAt(stall.t_s));
    const goal = direction > 0 ? starts.find((frame) => frame > clock.ordinal) : starts.findLast((frame) => frame < clock.ordinal);
    if (goal === undefined) {
      notices.say(starts.length ? `No ${direction > 0 ? "later" : "earlier"} stall.` : "There is no stall in this crawl.");
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

  actions.add({ name: "measure-crawl", label: "Measure the crawl, or stop it", group: "Measure", key: "Shift+m", run: () => run.toggle() });
  actions.add({ name: "next-stall", label: "Next stall", group: "Go", key: "a", run: () => toStall(1) });
  actions.add({ name: "previous-stall", label: "Stall before", group: "Go", key: "Shift+a", run: () => toStall(-1) });
  actions.add({ name: "lift-off", label: "Lift-off", group: "Go", key: "i", run: toLiftOff });
}
