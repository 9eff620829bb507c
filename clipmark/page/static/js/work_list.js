/**
 * Clips, attempts and drafts of the event together, and new drafts beside them.
 */

import { newKey } from "./drafts_client.js";
import { emptyDraft } from "./store.js";

/**
 * @typedef {object} Work
 * @property {any[]} clips
 * @property {any[]} attempts
 * @property {any[]} drafts
 */

/** @param {any} ctx @returns {Promise<Work>} */
export async function loadWork(ctx) {
  const [{ clips }, { attempts }, { drafts }] = await Promise.all([
    ctx.api.get("api/clips"),
    ctx.api.get("api/attempts"),
    ctx.api.get("api/drafts"),
  ]);
  return { clips, attempts, drafts };
}

/** Drafts that no attempt stands behind yet. @param {any[]} drafts */
export function unsigned(drafts) {
  return drafts.filter((item) => !item.attempt);
}

/**
 * What is signed and what is not yet, of one clip.
 * @param {Work} work @param {string} sha
 */
export function onClip(work, sha) {
  return {
    attempts: work.attempts.filter((item) => item.clip_sha === sha),
    drafts: unsigned(work.drafts).filter((item) => item.clip === sha),
  };
}

/** Clips that an attempt, signed or not, stands on. @param {Work} work @returns {Set<string>} */
export function pairedShas(work) {
  const all = [...work.attempts.map((item) => item.clip_sha), ...work.drafts.map((item) => item.clip)];
  return new Set(all.filter(Boolean));
}

/** Drafts made on this page: their tries are not in any listing yet. @type {any[]} */
const made = [];

/**
 * Make a draft of a new attempt: it is listed as not signed yet, and nothing of it is in the
 * journal before somebody signs.
 * @param {any} ctx
 * @param {string | null} clip content hash
 * @param {Record<string, any>} details
 * @param {number} [frame] ordinal that marks will stand on
 * @returns {Promise<string>} its key
 */
export async function makeDraft(ctx, clip, details, frame = 0) {
  const key = newKey();
  const known = Object.entries(details).map(([name, value]) => [name, value === "" ? null : value]);
  const draft = emptyDraft(clip, Object.fromEntries(known));
  draft.marks.frame = frame;
  await ctx.api.put(`api/drafts/${key}`, { holder: ctx.keeper.holder, take_over: false, draft });
  made.push(draft.details);
  return key;
}

/**
 * The next try of an entry at a test (and step), over what is signed and what is not yet.
 * @param {any[]} attempts signed ones
 * @param {{entry: string | null, test: string | null, step_deg?: number | null}} wanted
 * @returns {number | null}
 */
export function nextTry(attempts, wanted) {
  if (!wanted.entry || !wanted.test) return null;
  const same = [...attempts, ...made].filter(
    (item) =>
      item.entry === wanted.entry &&
      item.test === wanted.test &&
      (wanted.step_deg == null || item.step_deg == null || item.step_deg === wanted.step_deg),
  );
  return 1 + same.reduce((most, item) => Math.max(most, item.try_no ?? 0), 0);
}

/** "Heather Goat, climb, 40°, try 2"; what is not known is left out. @param {any} item */
export function attemptWords(item) {
  const parts = [
    item.entry || "no entry yet",
    item.test || "no test yet",
    item.step_deg != null && `${item.step_deg}°`,
    item.try_no != null && `try ${item.try_no}`,
  ];
  return parts.filter(Boolean).join(", ");
}

/**
 * Of the journal lines that came in last, those that others saved: not the attempt in hand, and
 * not under the name signed with here.
 * @param {any} store @returns {any[]}
 */
export function savedByOthers({ event, key, revision, ui }) {
  return (event?.news ?? []).filter((line) => {
    const inHand = line.kind === "attempt" && line.id === key && line.revision === revision;
    return !inHand && !(ui.by && line.by === ui.by);
  });
}

/** An instant of the journal as this reader's clock shows it. @param {string | null} at */
export function when(at) {
  if (!at) return "";
  const then = new Date(at);
  const today = then.toDateString() === new Date().toDateString();
  return today
    ? then.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })
    : then.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}
