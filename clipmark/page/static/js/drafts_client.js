// What is marked but not signed is kept on the server, by attempt, a moment after each change.

import { api } from "./api.js";
import { recall, remember, tabStorage } from "./remembered.js";

const WAIT_MS = 1000;
const HOLDER = "clipmark.holder";

/** This tab, across reloads but not shared with others; without storage a reload is another one. */
function holderId() {
  const known = recall(HOLDER, tabStorage);
  const id = known ?? randomHex(8);
  if (!known) remember(HOLDER, id, tabStorage);
  return id;
}

/** A key for a draft that no attempt stands behind yet. */
export function newKey() {
  return `new-${randomHex(8)}`;
}

/** Random hexadecimal digits, two a byte. */
function randomHex(bytes) {
  const values = crypto.getRandomValues(new Uint8Array(bytes));
  return [...values].map((value) => value.toString(16).padStart(2, "0")).join("");
}

/** What the server is to be told of a draft. */
const textOf = ({ key, draft }) => `${key} ${JSON.stringify(draft)}`;

/** Keeps the draft in hand on the server. */
export class DraftKeeper {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.holder = holderId();
    this.timer = 0;
    this.kept = null; // text of what the server has, by key
    this.takeOver = false;
    this.refused = false; // another browser has it, and was left it
    /** @type {(() => void) | null} takes away what was said when the server did not take it */
    this.trouble = null;
    this.isHeld = false; // the draft is being signed: nothing is to arrive after that
    /** @type {Promise<void>} what is being asked about another browser, until it is answered */
    this.asking = Promise.resolve();
    /** @type {Promise<boolean>} one after another, so that none overtakes a newer one */
    this.going = Promise.resolve(true);
    ctx.store.subscribe((what) => {
      if (what.has("loaded")) this.startAnew();
      if (what.has("saved")) this.kept = null;
      if (!what.has("loaded")) this.later();
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
    if (!store.key || !store.dirty || this.refused || this.isHeld || this.isKept()) return;
    api.parting(addressOf(store.key), this.body());
  }

  isKept() {
    return this.kept === textOf(this.ctx.store);
  }

  /**
   * Bring the server up to date.
   * @returns {Promise<boolean>} whether nothing would be lost if the draft were left now
   */
  keep() {
    clearTimeout(this.timer);
    this.going = this.going.then(() => this.send());
    return this.going;
  }

  /** While `work` goes on nothing is kept: what it deletes must not come back. */
  async holdDuring(work) {
    clearTimeout(this.timer);
    this.isHeld = true;
    try {
      await this.going;
      return await work();
    } finally {
      this.isHeld = false;
      this.later();
    }
  }

  async send() {
    const { store, notices } = this.ctx;
    const { key } = store;
    if (!key || this.isHeld || this.isKept()) return true;
    if (this.refused) return !store.dirty;
    const wasKept = this.kept?.startsWith(`${key} `);
    const text = textOf(store);
    try {
      if (!store.dirty) {
        this.kept = null;
        if (wasKept) await api.del(addressOf(key));
        return true;
      }
      await api.put(addressOf(key), this.body());
      this.trouble?.();
      this.trouble = null;
      if (store.key === key) this.kept = text;
      return true;
    } catch (error) {
      if (error.status === 409) {
        this.asking = this.othersToo(error); // not waited for: later keeping must not wait for the answer
      } else {
        this.trouble?.();
        this.trouble = notices.say(`${error.message} What you marked is not kept yet.`, "refusal");
      }
      return false;
    }
  }

  async othersToo(error) {
    this.refused = true;
    const { key } = this.ctx.store;
    const answer = await this.ctx.panels.ask(
      "Marked in another browser too",
      `${error.message} What you mark here is not kept on the server meanwhile.`,
      [
        { label: "Go on here instead", value: true },
        { label: "Leave it to the other", value: false, main: true },
      ],
    );
    if (!answer || this.ctx.store.key !== key) return;
    this.refused = false;
    this.takeOver = true;
    await this.keep();
    this.takeOver = false;
  }
}

/** @param {string} key of a draft */
function addressOf(key) {
  return `api/drafts/${encodeURIComponent(key)}`;
}
