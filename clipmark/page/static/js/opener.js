// Opening things: clips, attempts, drafts. Whatever was open is kept as a draft first.

import { api } from "./api.js";
import { ask } from "./ask.js";
import { randomHex } from "./drafts_client.js";
import { emptyDraft } from "./store.js";

export class Opener {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.asked = 0; // the newest wish; answers to older ones are passed over
  }

  /** Open what the address of the page names; true when it named something that is there. */
  async fromAddress() {
    const wanted = new URLSearchParams(location.hash.slice(1));
    if (wanted.get("attempt")) return this.openAttempt(wanted.get("attempt"));
    if (wanted.get("draft")) return this.openDraft(wanted.get("draft"));
    if (wanted.get("clip")) return this.openClip(wanted.get("clip"));
    return false;
  }

  /** @param {string} id */
  async openAttempt(id) {
    return this.guarded(async (still) => {
      await this.ctx.keeper.keep();
      const [attempt, { drafts }] = await Promise.all([
        api.get(`api/attempts/${encodeURIComponent(id)}`),
        api.get("api/drafts"),
      ]);
      const kept = drafts.find((item) => item.key === id);
      let draft = attempt.draft;
      if (kept && (await this.takeUp(kept))) {
        draft = (await api.get(`api/drafts/${encodeURIComponent(id)}`)).draft;
      }
      if (!still()) return false;
      await this.take(
        { key: id, draft, revision: attempt.revision, readings: attempt.readings,
          trace: attempt.trace,
          signed: attempt.draft },
        still,
      );
      location.hash = new URLSearchParams({ attempt: id }).toString();
      return true;
    });
  }

  async takeUp(kept) {
    const at = new Date(kept.at).toLocaleString();
    return ask(
      "Marks that were not signed",
      `Unsigned marks of attempt ${kept.key} were kept on ${at}.`,
      [
        { label: "Take them up again", value: true, main: true },
        { label: "Show what was signed", value: false },
      ],
    );
  }

  /** @param {string} key */
  async openDraft(key) {
    return this.guarded(async (still) => {
      await this.ctx.keeper.keep();
      const { draft } = await api.get(`api/drafts/${encodeURIComponent(key)}`);
      // One set aside over somebody else's revision has a key of its own, and is opened as it is.
      if (draft.attempt === key) return this.openAttempt(key);
      if (!still()) return false;
      await this.take({ key, draft }, still);
      location.hash = new URLSearchParams({ draft: key }).toString();
      return true;
    });
  }

  /**
   * A new attempt, with a clip or called only.
   * @param {{clip?: string|null, details?: Record<string, any>, marks?: Record<string, any>}} given
   */
  async newAttempt({ clip = null, details = {}, marks = {} } = {}) {
    return this.guarded(async (still) => {
      await this.ctx.keeper.keep();
      const key = `new-${randomHex(8)}`;
      const draft = emptyDraft(clip, details);
      Object.assign(draft.marks, marks);
      await this.take({ key, draft }, still);
      location.hash = new URLSearchParams({ draft: key }).toString();
      return true;
    });
  }

  /** Open a clip to look at; a new attempt on it when the one in hand has another. */
  async openClip(sha) {
    if (this.ctx.store.draft.clip === sha) return true;
    return this.newAttempt({ clip: sha });
  }

  async take(loaded, still) {
    const { store, clock } = this.ctx;
    const sha = loaded.draft.clip;
    if (sha && store.clip?.sha !== sha) {
      const [clip, { times_s }] = await this.opened(sha);
      if (!still()) return;
      store.setClip({ ...clip, times_s });
    }
    if (!sha) store.setClip(null);
    store.load(loaded);
    clock.goto(loaded.draft.marks.frame ?? 0);
  }

  async opened(sha) {
    const clip = await api.post(`api/clips/${sha}/open`, {});
    return [clip, await api.get(`api/clips/${sha}/times`)];
  }

  async guarded(work) {
    const mine = ++this.asked;
    const still = () => mine === this.asked;
    try {
      return await work(still);
    } catch (error) {
      if (still()) this.ctx.notices.say(error.message, "refusal");
      return false;
    }
  }
}
