// Opening things: clips, attempts, drafts. Whatever was open is kept as a draft first.

import { api } from "./api.js";
import { mountGone, whyGone } from "./clip_gone.js";
import { newKey } from "./drafts_client.js";
import { emptyDraft } from "./store.js";
import { when } from "./work_list.js";

/** Opens attempts, drafts and clips, one after the other. */
export class Opener {
  /** @param {any} ctx */
  constructor(ctx) {
    this.ctx = ctx;
    this.asked = 0; // the newest wish; answers to older ones are passed over
    /** @type {Map<string, string>} names of clips by content, as far as they were met */
    this.names = new Map();
    ctx.store.subscribe((what) => {
      if (what.has("loaded")) return;
      this.nameNew();
      this.followClip();
    }, ["draft"]);
    window.addEventListener("hashchange", () => this.followAddress());
  }

  /** Where it is said that a clip is gone. @param {HTMLElement} stage */
  mount(stage) {
    mountGone(stage, this.ctx, () => this.lookAgain());
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
      if (!(await this.mayLeave()) || !still()) return false;
      const [attempt, { drafts }] = await Promise.all([
        api.get(`api/attempts/${encodeURIComponent(id)}`),
        api.get("api/drafts"),
      ]);
      const kept = drafts.find((item) => item.key === id);
      for (const ref of [attempt.body.clip, ...(attempt.body.further_clips ?? []).map((item) => item.clip)]) {
        if (ref) this.names.set(ref.sha256, ref.path.split("/").at(-1));
      }
      let draft = attempt.draft;
      if (kept && (await this.takeUp(kept))) {
        draft = (await api.get(`api/drafts/${encodeURIComponent(id)}`)).draft;
      }
      if (!still()) return false;
      await this.take(
        { key: id, draft, revision: attempt.revision, readings: attempt.readings,
          traces: attempt.traces,
          signed: attempt.draft },
        still,
      );
      nameInAddress({ attempt: id });
      return true;
    });
  }

  async takeUp(kept) {
    return this.ctx.panels.ask(
      "Marks that were not signed",
      `Unsigned marks of attempt ${kept.key} were kept: ${when(kept.at)}.`,
      [
        { label: "Take them up again", value: true, main: true },
        { label: "Show what was signed", value: false },
      ],
    );
  }

  /** @param {string} key */
  async openDraft(key) {
    return this.guarded(async (still) => {
      if (!(await this.mayLeave()) || !still()) return false;
      const { draft } = await api.get(`api/drafts/${encodeURIComponent(key)}`);
      // One set aside over somebody else's revision has a key of its own, and is opened as it is.
      if (draft.attempt === key) return this.openAttempt(key);
      if (!still()) return false;
      await this.take({ key, draft }, still);
      nameInAddress({ draft: key });
      return true;
    });
  }

  /**
   * A new attempt, with a clip or called only.
   * @param {{clip?: string|null, details?: Record<string, any>, marks?: Record<string, any>}} given
   */
  async newAttempt({ clip = null, details = {}, marks = {} } = {}) {
    return this.guarded(async (still) => {
      if (!(await this.mayLeave()) || !still()) return false;
      const key = newKey();
      const draft = emptyDraft(clip, details);
      Object.assign(draft.marks, marks);
      await this.take({ key, draft }, still);
      nameInAddress({ draft: key });
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
    if (sha && (store.clip?.sha !== sha || !store.clip.facts)) {
      const clip = await this.opened(sha);
      if (!still()) return;
      store.setClip(clip);
    }
    if (!sha) store.setClip(null);
    store.load(loaded);
    clock.goto(loaded.draft.marks.frame ?? 0);
  }

  /**
   * The clip with its times; one that cannot be opened says why, and the attempt on it is shown all
   * the same.
   * @param {string} sha
   */
  async opened(sha) {
    try {
      return await this.opening(sha);
    } catch (error) {
      if (error.status === 0) return this.unseen(sha, error.message);
      return this.lookedFor(sha, error.message);
    }
  }

  /** @param {string} sha */
  async opening(sha) {
    const clip = await api.post(`api/clips/${sha}/open`, {});
    const { times_s } = await api.get(`api/clips/${sha}/times`);
    this.names.set(sha, clip.name);
    return { ...clip, times_s };
  }

  /** It may lie under another name now: have the folder looked through, and try once more. */
  async lookedFor(sha, refusal) {
    let there = [];
    try {
      there = (await api.get("api/clips")).clips;
      if (there.some((clip) => clip.sha === sha)) return await this.opening(sha);
      await this.nameOf(sha);
    } catch (error) {
      refusal = error.message;
    }
    const name = this.names.get(sha) ?? `with the content ${sha.slice(0, 12)}\u2026`;
    return this.unseen(sha, whyGone({ name, sha, there }, refusal));
  }

  /** What the clip was called when an attempt on it was signed. */
  async nameOf(sha) {
    if (this.names.has(sha)) return;
    const { attempts } = await api.get("api/attempts");
    const known = attempts.find((item) => item.clip_sha === sha);
    if (known) this.names.set(sha, known.clip_name);
  }

  unseen(sha, sentence) {
    const name = this.names.get(sha) ?? sha.slice(0, 12);
    return { sha, name, readable: false, sentence, facts: null, times_s: null };
  }

  /** The clip of the attempt in hand once more; true when it is there now. */
  async lookAgain() {
    const { store, clock } = this.ctx;
    const sha = store.draft.clip;
    if (!sha) return false;
    const clip = await this.opened(sha);
    if (store.draft.clip !== sha || store.clip?.sha !== sha) return false;
    store.setClip(clip);
    if (clip.facts) clock.goto(store.draft.marks.frame ?? 0);
    return Boolean(clip.facts);
  }

  /** The clip of the draft was changed, undone or done again: its pictures go along. */
  async followClip() {
    const { store } = this.ctx;
    const sha = store.draft.clip;
    if (sha === (store.clip?.sha ?? null)) return;
    store.setClip(null); // the one before is not shown under this draft
    if (!sha) return;
    const clip = await this.opened(sha);
    if (store.draft.clip === sha && store.clip === null) store.setClip(clip);
  }

  /** What is filled in before anything was opened is a new attempt. */
  nameNew() {
    const { store } = this.ctx;
    if (store.key !== null || !store.dirty) return;
    store.key = newKey();
    nameInAddress({ draft: store.key });
  }

  /** Back and forth in the browser's history, or an address typed anew. */
  async followAddress() {
    const named = new URLSearchParams(location.hash.slice(1));
    const key = named.get("attempt") ?? named.get("draft");
    if ((key && key !== this.ctx.store.key) || named.get("clip")) await this.fromAddress();
  }

  /** Whether another attempt can be opened without losing what was marked in this one. */
  async mayLeave() {
    const { keeper, panels } = this.ctx;
    if (await keeper.keep()) return true;
    await keeper.asking; // that another browser has it too is answered first
    if (await keeper.keep()) return true;
    return panels.ask(
      "What you marked is not kept",
      "The server did not take what was marked here. If you go on, it is lost.",
      [
        { label: "Go on without it", value: true },
        { label: "Stay here", value: false, main: true },
      ],
    );
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

/** @param {{attempt: string} | {draft: string}} named */
function nameInAddress(named) {
  location.hash = new URLSearchParams(named).toString();
}
