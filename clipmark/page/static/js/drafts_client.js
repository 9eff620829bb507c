// What is marked but not signed is kept on the server, by attempt, a moment after each change.

import { api } from "./api.js";

const WAIT_MS = 1000;
const HOLDER = "clipmark.holder";

/** This tab, across reloads but not shared with others. */
export function holderId() {
  let id = null;
  try {
    id = sessionStorage.getItem(HOLDER);
  } catch {
    // no storage: a reload then counts as another holder
  }
  if (!id) {
    id = randomHex(8);
    try {
      sessionStorage.setItem(HOLDER, id);
    } catch {
      // as above
    }
  }
  return id;
}

/** Random hexadecimal digits, two a byte. */
export function randomHex(bytes) {
  const values = crypto.getRandomValues(new Uint8Array(bytes));
  return [...values].map((value) => value.toString(16).padStart(2, "0")).join("");
}

export class DraftKeeper {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.holder = holderId();
    this.timer = 0;
    this.kept = null; // text of what the server has, by key
    this.takeOver = false;
    this.refused = false;
    ctx.store.subscribe((what) => {
      if (what.has("loaded")) this.startAnew();
      else if (what.has("saved")) this.kept = null;
      else this.later();
    }, ["draft", "loaded", "saved"]);
    window.addEventListener("pagehide", () => this.atOnce());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "hidden") this.atOnce();
    });
  }

  startAnew() {
    clearTimeout(this.timer);
    this.kept = null;
    this.takeOver = false;
    this.refused = false;
  }

  later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.keep(), WAIT_MS);
  }

  body() {
    return { holder: this.holder, take_over: this.takeOver, draft: this.ctx.store.draft };
  }

  atOnce() {
    clearTimeout(this.timer);
    const { store } = this.ctx;
    if (!store.key || !store.dirty || this.refused || this.isKept()) return;
    api.parting(`api/drafts/${store.key}`, this.body());
  }

  isKept() {
    return this.kept === `${this.ctx.store.key} ${JSON.stringify(this.ctx.store.draft)}`;
  }

  /** Bring the server up to date; answers when it is. */
  async keep() {
    clearTimeout(this.timer);
    const { store, notices } = this.ctx;
    const key = store.key;
    if (!key || this.refused || this.isKept()) return;
    try {
      if (!store.dirty) {
        if (this.kept?.startsWith(`${key} `)) await api.del(`api/drafts/${key}`);
        this.kept = null;
        return;
      }
      const text = `${key} ${JSON.stringify(store.draft)}`;
      await api.put(`api/drafts/${key}`, this.body());
      this.kept = text;
    } catch (error) {
      if (error.status === 409) await this.othersToo(error);
      else notices.say(`${error.message} What you marked is not kept yet.`, "refusal");
    }
  }

  async othersToo(error) {
    this.refused = true;
    const { ask } = await import("./ask.js");
    const answer = await ask(
      "Marked in another browser too",
      `${error.message} What you mark here is not kept on the server meanwhile.`,
      [
        { label: "Go on here instead", value: true },
        { label: "Leave it to the other", value: false, main: true },
      ],
    );
    if (!answer) return;
    this.refused = false;
    this.takeOver = true;
    await this.keep();
    this.takeOver = false;
  }
}
