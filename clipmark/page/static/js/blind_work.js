// What is marked on the picture in hand and not signed: what of it is sent, and when it is kept.

const WAIT_MS = 600;
const FIELDS = ["level", "plumb", "ramp", "hubs", "chassis", "sheet", "scale", "patch", "travel", "platform", "finish"];

/** What the server is told of a draft: marks, verdict and reason, nothing else. @param {any} draft */
export function workOf({ marks, details }) {
  const told = Object.fromEntries(FIELDS.map((name) => [name, marks[name] ?? null]));
  const { verdict = null, reason = null } = details;
  return { marks: { ...told, wheels: marks.wheels ?? [], uphill_tyres: marks.uphill_tyres ?? [] }, verdict, reason: verdict ? reason : null };
}

/** A draft of the page from what was kept. @param {any} draft changed @param {any} work */
export function takeUp(draft, work) {
  if (!work) return;
  const { wheels, uphill_tyres: tyres, ...marks } = work.marks;
  Object.assign(draft.marks, marks, { wheels: wheels?.length ? wheels : null, uphill_tyres: tyres?.length ? tyres : null });
  Object.assign(draft.details, { verdict: work.verdict, reason: work.reason });
}

/** Keeps the picture in hand on the server, a moment after each change. */
export class WorkKeeper {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.timer = 0;
    this.kept = "";
    this.isHeld = false; // it is being signed: nothing may arrive after that
    this.trouble = null;
    ctx.store.subscribe((what) => (what.has("loaded") ? this.startAnew() : this.later()), ["draft", "loaded"]);
    window.addEventListener("pagehide", () => this.atOnce());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "hidden") this.atOnce();
    });
  }

  get address() {
    return `api/pictures/${this.ctx.store.key}/work`;
  }

  startAnew() {
    clearTimeout(this.timer);
    this.kept = JSON.stringify(workOf(this.ctx.store.draft));
  }

  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.keep(), WAIT_MS);
  }

  /** @returns {any} what is to be kept, or null where it is kept already */
  get due() {
    const { store } = this.ctx;
    const work = workOf(store.draft);
    return store.key && !this.isHeld && JSON.stringify(work) !== this.kept ? work : null;
  }

  async keep() {
    const work = this.due;
    if (!work) return;
    try {
      await this.ctx.api.put(this.address, work);
      this.kept = JSON.stringify(work);
      this.trouble?.();
      this.trouble = null;
    } catch (error) {
      if (error.status === 404) return; // signed meanwhile
      this.trouble?.();
      this.trouble = this.ctx.notices.say(`${error.message} What you marked is not kept yet.`, "refusal");
    }
  }

  atOnce() {
    clearTimeout(this.timer);
    const work = this.due;
    if (work) this.ctx.api.parting(this.address, work);
  }

  /** Nothing is kept while `sign` goes on. */
  async holdDuring(sign) {
    clearTimeout(this.timer);
    this.isHeld = true;
    try {
      return await sign();
    } finally {
      this.isHeld = false;
    }
  }
}
