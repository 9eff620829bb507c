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
  ctx.api
    .get(`api/attempts/${encodeURIComponent(id)}/history`)
    .then(({ revisions }) => {
      const newest = revisions.at(-1).revision;
      const items = [...revisions].reverse().map((item) => revisionItem(item, { id, newest, ctx }));
      put(place, el("ol", { role: "list", class: "history-list" }, items));
    })
    .catch((error) => put(place, el("span", { class: "bad" }, error.message)));
  return place;
}

/** @param {Revision} item @param {{id: string, newest: number, ctx: any}} of */
function revisionItem(item, { id, newest, ctx }) {
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
      isNewest ? null : take,
    ),
    item.revision === 1 ? null : changeList(item),
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
