/**
 * The revisions of one attempt: who, when, what each changed, and the way to take one up again.
 */

import { button, el, put } from "./dom.js";
import { when } from "./work_list.js";

/**
 * @typedef {object} Revision
 * @property {number} revision
 * @property {string} by
 * @property {string} at      ISO 8601
 * @property {number} seq     line of the journal
 * @property {string} sha256  of that line
 * @property {{field: string, before: string, after: string}[]} changes  from the one before
 */

/**
 * A list of the revisions, newest first, filled in when the answer comes.
 *
 * @param {string} id of the attempt
 * @param {any} ctx
 * @returns {HTMLElement}
 */
export function revisionList(id, ctx) {
  const place = el("div", { class: "history" }, el("span", { class: "soft" }, "Looking \u2026"));
  const path = `api/attempts/${encodeURIComponent(id)}`;
  Promise.all([ctx.api.get(`${path}/history`), ctx.api.get(`${path}/life`)])
    .then(([{ revisions }, { lines }]) => {
      const newest = revisions.at(-1).revision;
      const items = [
        ...revisions.map((item) => ({ seq: item.seq, node: revisionItem(item, { id, newest, ctx, trusted: trusted(lines, item.seq) }) })),
        ...lines.filter((line) => line.kind !== "attempt").map((line) => ({ seq: line.seq, node: lifeItem(line) })),
      ];
      items.sort((one, other) => other.seq - one.seq);
      const dispute = button("Dispute this result \u2026", () => ctx.panels.open("dispute", { id }), { "aria-haspopup": "dialog", "aria-label": `Dispute this result \u2026 of ${id}` });
      put(place, el("div", {}, dispute), el("ol", { role: "list", class: "history-list" }, items.map((item) => item.node)));
    })
    .catch((error) => put(place, el("span", { class: "bad" }, error.message)));
  return place;
}

/** Whether a line of the journal stands before any fault of it. @param {any[]} lines @param {number} seq */
function trusted(lines, seq) {
  return lines.find((line) => line.seq === seq)?.trusted !== false;
}

/** @param {Revision} item @param {{id: string, newest: number, ctx: any, trusted: boolean}} of */
function revisionItem(item, { id, newest, ctx, trusted }) {
  const isNewest = item.revision === newest;
  const take = button("Take this one up again", () => takeUpAgain(ctx, id, item.revision), {
    "aria-label": `Take this one up again: revision ${item.revision} of ${id}`,
    title: "It is opened as a draft; signed, it goes on top as a new revision",
  });
  return el(
    "li",
    { class: "history-item" },
    el(
      "div",
      { class: "history-head" },
      el("strong", {}, `Revision ${item.revision}`),
      el("span", {}, `signed by ${item.by || "nobody named"},`),
      el("time", { datetime: item.at }, `${when(item.at)},`),
      el("span", { class: "soft" }, `journal line ${item.seq},`),
      el("span", { class: "figures soft", title: item.sha256 }, item.sha256.slice(0, 12)),
      trusted ? null : el("span", { class: "stamp bad" }, "not trusted: see the journal"),
      isNewest ? null : take,
    ),
    item.revision === 1 ? null : changeList(item),
  );
}

/**
 * A protest, a ruling or a blind marking, between the revisions.
 *
 * @param {{kind: string, id: string, at: string, seq: number, sha256: string, sentences: string[], trusted: boolean}} line
 */
function lifeItem(line) {
  return el(
    "li",
    { class: "history-item" },
    el(
      "div",
      { class: "history-head" },
      el("strong", {}, `${line.kind[0].toUpperCase()}${line.kind.slice(1)} ${line.id}`),
      el("time", { datetime: line.at }, `${when(line.at)},`),
      el("span", { class: "soft" }, `journal line ${line.seq},`),
      el("span", { class: "figures soft", title: line.sha256 }, line.sha256.slice(0, 12)),
      line.trusted ? null : el("span", { class: "stamp bad" }, "not trusted: see the journal"),
    ),
    line.sentences.map((text) => el("p", {}, text)),
  );
}

/** @param {Revision} item */
function changeList({ revision, changes }) {
  if (!changes.length) {
    return el("p", { class: "soft" }, "Nothing differs from the one before: signed anew.");
  }
  return el(
    "table",
    { class: "history-changes" },
    el("caption", { class: "unseen" }, `What revision ${revision} changed`),
    el("thead", { class: "unseen" }, el("tr", {}, ["field", "before", "after"].map((text) => el("th", { scope: "col" }, text)))),
    el(
      "tbody",
      {},
      changes.map(({ field, before, after }) =>
        el(
          "tr",
          {},
          el("th", { scope: "row" }, field),
          el("td", { class: "soft" }, before),
          el("td", {}, el("span", { class: "soft", "aria-hidden": "true" }, "\u2192 "), after),
        ),
      ),
    ),
  );
}

/**
 * Put an old revision on the page as a draft: one step that can be undone. It was made from the
 * newest revision as far as signing goes, so that nothing in between is lost.
 *
 * @param {any} ctx
 * @param {string} id
 * @param {number} revision
 */
async function takeUpAgain(ctx, id, revision) {
  const { api, store, opener, panels, notices } = ctx;
  panels.close();
  try {
    if (!(await opener.openAttempt(id)) || store.key !== id) return;
    const old = await api.get(`api/attempts/${encodeURIComponent(id)}/revisions/${revision}`);
    if (store.key !== id) return;
    store.change(`take up revision ${revision}`, (draft) => {
      Object.assign(draft, old.draft, { base_revision: draft.base_revision });
    });
    const signed = old.by ? `signed by ${old.by}` : "signed by nobody named";
    notices.say(`This is revision ${revision}, ${signed}. Nothing is saved before it is signed anew; undo goes back to revision ${store.revision}.`);
  } catch (error) {
    notices.say(error.message, "refusal");
  }
}
