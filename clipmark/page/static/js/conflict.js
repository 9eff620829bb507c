/**
 * Two revisions of one attempt: shown side by side where they differ, and the choice is explicit.
 */

import { button, el, put } from "./dom.js";
import { newKey } from "./drafts_client.js";
import { spoken, fixed, seconds } from "./numbers.js";
import { isGiven } from "./plain.js";
import { DETAILS } from "./store.js";
import { when } from "./work_list.js";

const WORDS = {
  try_no: "try", setup: "set-up", step_deg: "step", set_start_deg: "set angle, start", set_end_deg: "set angle, end",
  called_by: "called by", span: "from and to", hubs: "hubs", chassis: "chassis rail", patch: "body patch",
};

// What a mark means where it is not given.
const USUAL = { edge_fit: true, frame: 0 };

/**
 * @typedef {object} Theirs
 * @property {number} revision
 * @property {string} by
 * @property {string} at    ISO 8601
 * @property {object} draft their revision as a draft
 * @property {object} [readings]
 */

/**
 * Fields in which two drafts differ.
 *
 * @param {object} theirs
 * @param {object} mine
 * @returns {{field: string, theirs: string, mine: string}[]}
 */
export function differences(theirs, mine) {
  const rows = [];
  const compare = (field, a, b, words = valueWords) => {
    if (JSON.stringify(plain(a)) !== JSON.stringify(plain(b))) {
      rows.push({ field, theirs: words(a), mine: words(b) });
    }
  };
  for (const name of DETAILS) {
    const words = name === "reason" ? (code) => (code ? spoken(code) : valueWords(code)) : valueWords;
    compare(WORDS[name] ?? name, theirs.details?.[name], mine.details?.[name], words);
  }
  compare("clip", theirs.clip, mine.clip, (sha) => (sha ? sha.slice(0, 12) : "none"));
  compare("further clips", theirs.further_clips ?? [], mine.further_clips ?? [], (list) => `${(list ?? []).length}`);
  compare("stand", theirs.stand, mine.stand);
  compare("calls", theirs.calls, mine.calls, callsWords);
  const names = new Set([...Object.keys(theirs.marks ?? {}), ...Object.keys(mine.marks ?? {})]);
  for (const name of [...names].sort()) {
    const usual = USUAL[name] ?? null;
    compare(WORDS[name] ?? name.replaceAll("_", " "), theirs.marks?.[name] ?? usual, mine.marks?.[name] ?? usual);
  }
  return rows;
}

/** An empty list or text says no more than nothing given. */
const plain = (value) => (isGiven(value) ? value : null);

function valueWords(value) {
  if (plain(value) === null) {
    return "not given";
  }
  if (Array.isArray(value)) {
    return value.map((item) => (Array.isArray(item) ? `(${valueWords(item)})` : valueWords(item))).join(", ");
  }
  if (typeof value === "number") {
    return fixed(value, Number.isInteger(value) ? 0 : 3);
  }
  return typeof value === "boolean" ? (value ? "yes" : "no") : String(value);
}

function callsWords(calls) {
  return (calls ?? []).map((call) => `${spoken(call.call)} ${seconds(call.t_s)}`).join(", ") || "none";
}

/**
 * Show both revisions and let one choose.
 *
 * @param {any} ctx
 * @param {Theirs} theirs
 * @param {{signOnTop: ((revision: number) => void)|null}} options  null where mine has nothing to sign
 */
export function showConflict(ctx, theirs, { signOnTop }) {
  ctx.panels.show({
    name: "conflict",
    title: `Attempt ${ctx.store.draft.attempt ?? ctx.store.key}: somebody saved it meanwhile`,
    size: "wide",
    build: (panel) => build(panel, ctx, theirs, signOnTop),
  });
}

function build(panel, ctx, theirs, signOnTop) {
  const mine = ctx.store.draft;
  const rows = differences(theirs.draft, mine);
  const base = mine.base_revision ?? "none";
  const table = el(
    "table",
    { class: "conflict-table" },
    el("caption", { class: "unseen" }, "Where the two differ"),
    el("thead", {}, el("tr", {}, ["field", `theirs: revision ${theirs.revision}`, `mine: from revision ${base}`].map((text) => el("th", { scope: "col" }, text)))),
    el("tbody", {}, rows.map((row) => el("tr", {}, el("th", { scope: "row" }, row.field), el("td", {}, row.theirs), el("td", {}, row.mine)))),
  );
  const answers = [
    button("Take theirs, leave mine as draft", () => takeTheirs(panel, ctx, theirs), { autofocus: true }),
    signOnTop &&
      button("Sign mine on top, as a new revision", () => {
        panel.close();
        signOnTop(theirs.revision);
      }),
    button("Go on marking, decide later", () => panel.close()),
  ];
  put(
    panel.body,
    el("p", {}, `${theirs.by || "Somebody"} signed revision ${theirs.revision}: ${when(theirs.at)}. Nothing of yours was saved over it, and nothing is merged.`),
    rows.length ? el("div", { class: "conflict-scroll", tabindex: "0", role: "region", "aria-label": "Where the two differ" }, table) : el("p", {}, "The two are the same in every field."),
    el("div", { class: "conflict-answers" }, answers),
  );
}

/** Keep mine as a draft of its own, then show theirs. */
async function takeTheirs(panel, ctx, theirs) {
  const { store, api, notices, opener, keeper } = ctx;
  const id = store.draft.attempt ?? store.key;
  try {
    if (store.dirty) {
      await keeper.holdDuring(async () => {
        await api.put(`api/drafts/${newKey()}`, { holder: keeper.holder, take_over: false, draft: store.draft });
        await api.del(`api/drafts/${encodeURIComponent(id)}`).catch(() => null); // not there: nothing to take away
      });
      notices.say("Yours is kept as a draft; it is listed under Attempts.", "success");
    }
  } catch (error) {
    notices.say(`${error.message} Yours is still on the page, and theirs was not taken.`, "refusal");
    return;
  }
  panel.close();
  store.load({ key: id, draft: theirs.draft, revision: theirs.revision, readings: theirs.readings ?? {}, signed: theirs.draft });
  await opener.openAttempt(id);
}
