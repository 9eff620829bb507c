/**
 * The panel of attempts: what is signed, what is not yet, what others saved since.
 */

import { button, el, put } from "./dom.js";
import { disputeStamp } from "./dispute_words.js";
import { field } from "./form_parts.js";
import { journalLine } from "./journal_line.js";
import { measured, sentenceOf, spoken } from "./numbers.js";
import { revisionList } from "./revisions.js";
import { loadWork, savedByOthers, unsigned, when } from "./work_list.js";

const HEADS = [
  ["", ""],
  ["Attempt", ""],
  ["Entry", ""],
  ["Test", ""],
  ["Step", "number"],
  ["Try", "number"],
  ["Verdict", ""],
  ["Ramp", "number"],
  ["Chassis", "number"],
  ["Mean speed", "number"],
  ["Marked by", ""],
  ["When", ""],
  ["", ""],
];

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  /** Ids that others saved and nobody has looked at here. @type {Set<string>} */
  const news = new Set();
  ctx.store.subscribe(() => {
    for (const line of savedByOthers(ctx.store)) {
      if (line.kind === "attempt") news.add(line.id);
    }
  }, ["event"]);
  ctx.store.subscribe(() => news.delete(ctx.store.key), ["loaded", "saved"]);
  ctx.panels.add({
    name: "attempts",
    title: "Attempts",
    size: "full",
    build: (panel) => build(panel, ctx, news),
  });
  ctx.actions.add({
    name: "open-attempts",
    label: "Open an attempt, see its revisions",
    group: "Panels",
    key: "o",
    run: () => ctx.panels.open("attempts"),
  });
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx @param {Set<string>} news */
function build(panel, ctx, news) {
  const find = field({ name: "find", label: "Only those with", hint: "Part of an entry, test, verdict, name or clip." });
  const body = el("tbody", {});
  const state = el("p", { role: "status", class: "soft" }, "Looking for attempts \u2026");
  let work = { clips: [], attempts: [], drafts: [] };
  let open = true;
  /** @type {Set<string>} */
  const unfolded = new Set();
  /** Histories asked for already, by attempt and revision. @type {Map<string, HTMLElement>} */
  const histories = new Map();
  let asked = 0; // the newest wish; answers to older ones are passed over

  async function refresh() {
    const mine = ++asked;
    try {
      const found = await loadWork(ctx);
      if (!open || mine !== asked) return;
      work = found;
      draw();
    } catch (error) {
      state.textContent = error.message;
    }
  }

  /** @param {any} item */
  function history(item) {
    const name = `${item.id} ${item.revision}`;
    if (!histories.has(name)) histories.set(name, historyRow(item.id, ctx));
    return histories.get(name);
  }

  function draw() {
    const wanted = find.read().toLowerCase();
    const drafts = unsigned(work.drafts).map((item) => ({ ...item, clip_name: clipName(work, item.clip) }));
    const shownDrafts = drafts.filter((item) => fits(item, wanted));
    const shown = work.attempts.filter((item) => fits(item, wanted));
    const focused = /** @type {HTMLElement | null} */ (document.activeElement)?.dataset.spot;
    put(
      body,
      shownDrafts.map((item) => draftRow(item, ctx, refresh)),
      shown.flatMap((item) => attemptRows(item, { ctx, news, unfolded, draw, history })),
    );
    if (focused) focusSpot(focused);
    state.textContent = headline(work, shown.length + shownDrafts.length);
  }

  /** The same button as before; where its row is gone, the list. @param {string} spot */
  function focusSpot(spot) {
    const same = body.querySelector(`[data-spot="${CSS.escape(spot)}"]`);
    /** @type {HTMLElement | null} */ (same ?? body.closest(".table-place"))?.focus();
  }

  find.input.addEventListener("input", draw);
  put(
    panel.body,
    el(
      "div",
      { class: "row row-ends" },
      find.node,
      el(
        "div",
        { class: "row" },
        button("New attempt", () => ctx.panels.open("clips"), { class: "main" }),
        button("Pair clips with entries", () => ctx.panels.open("pairing")),
      ),
    ),
    state,
    el(
      "div",
      { class: "table-place", tabindex: "0", role: "region", "aria-label": "Attempts and drafts" },
      el(
        "table",
        { class: "attempts" },
        el(
          "thead",
          {},
          el("tr", {}, HEADS.map(([words, kind]) => head(words, kind))),
        ),
        body,
      ),
    ),
  );
  panel.body.append(journalLine(ctx));
  const stop = ctx.store.subscribe(refresh, ["event", "saved"]);
  panel.onClose(() => {
    open = false;
    stop();
  });
  refresh();
}

/** A head without words is of the buttons: nothing is read under it but themselves. */
function head(words, kind) {
  return words ? el("th", { scope: "col", class: kind || null }, words) : el("td", {});
}

/** @param {any} item @param {string} wanted */
function fits(item, wanted) {
  if (!wanted) return true;
  const parts = [item.id, item.entry, item.test, item.verdict, item.reason, spoken(item.reason ?? ""), item.marked_by, item.clip_name];
  return parts.some((part) => part && String(part).toLowerCase().includes(wanted));
}

/** @param {any} work @param {number} shown */
function headline(work, shown) {
  const waiting = unsigned(work.drafts).length;
  const all = work.attempts.length + waiting;
  if (all === 0) return "No attempt yet: choose a clip, or call one without a clip.";
  const parts = [`${work.attempts.length} signed`, `${waiting} not signed yet`];
  if (shown < all) parts.push(`${shown} shown`);
  return `${parts.join(", ")}.`;
}

/** @param {any} work @param {string | null} sha */
function clipName(work, sha) {
  return work.clips.find((clip) => clip.sha === sha)?.name ?? "";
}

/** @param {any} item @param {any} ctx @param {() => void} refresh */
function draftRow(item, ctx, refresh) {
  const words = [item.entry, item.test].filter(Boolean).join(", ") || item.clip_name || "nothing filled in";
  const inHand = ctx.store.key === item.key;
  return el(
    "tr",
    { class: "not-signed", "aria-current": inHand ? "true" : null },
    el(
      "td",
      { class: "ways" },
      button("Go on", () => {
        ctx.panels.close();
        ctx.opener.openDraft(item.key);
      }, { "aria-label": `Go on with ${words}`, data: { spot: `go ${item.key}` } }),
    ),
    el("th", { scope: "row" }, el("span", { class: "stamp warn" }, "not signed yet")),
    el("td", {}, item.entry || "", !item.entry && el("span", { class: "soft" }, item.clip_name || "no clip")),
    el("td", {}, item.test || ""),
    el("td", { class: "number" }, item.step_deg == null ? "" : `${item.step_deg}°`),
    el("td", { class: "number" }, item.try_no ?? ""),
    el("td", { colspan: "5", class: "soft" }, item.clip_name ? `on ${item.clip_name}` : "without a clip"),
    el("td", {}, el("time", { datetime: item.at }, when(item.at))),
    el("td", { class: "ways" }, !inHand && dropButton(item, words, ctx, refresh)),
  );
}

/** Throwing a draft away asks once, on the button itself. */
function dropButton(item, words, ctx, refresh) {
  let asked = false;
  const node = button("Drop", async () => {
    if (!asked) {
      asked = true;
      node.textContent = "Drop it for good";
      node.setAttribute("aria-label", `Drop it for good: ${words}; what was marked in it is lost`);
      return;
    }
    try {
      await ctx.api.del(`api/drafts/${item.key}`);
      refresh();
    } catch (error) {
      ctx.notices.say(error.message, "refusal");
    }
  }, { "aria-label": `Drop ${words}`, class: "plain", data: { spot: `drop ${item.key}` } });
  return node;
}

/**
 * @param {any} item
 * @param {{ctx: any, news: Set<string>, unfolded: Set<string>, draw: () => void, history: (item: any) => HTMLElement}} list
 */
function attemptRows(item, { ctx, news, unfolded, draw, history }) {
  const value = (name) => {
    const found = measured(item, name);
    return found.value === null ? "" : sentenceOf(found);
  };
  const shown = unfolded.has(item.id);
  const verdict = [item.verdict ?? "none yet", item.reason && spoken(item.reason)].filter(Boolean).join(": ");
  const row = el(
    "tr",
    { "aria-current": ctx.store.key === item.id ? "true" : null },
    el(
      "td",
      { class: "ways" },
      button("Open", () => {
        news.delete(item.id);
        ctx.panels.close();
        ctx.opener.openAttempt(item.id);
      }, { "aria-label": `Open ${item.id}`, data: { spot: `open ${item.id}` } }),
    ),
    el(
      "th",
      { scope: "row" },
      item.id,
      news.has(item.id) && el("span", { class: "stamp" }, "new from others"),
      item.has_draft && el("span", { class: "stamp warn" }, "changes not signed"),
      item.trusted === false && el("span", { class: "stamp bad" }, "not trusted: see the journal"),
    ),
    el("td", {}, item.entry),
    el("td", {}, item.test),
    el("td", { class: "number" }, item.step_deg == null ? "" : `${item.step_deg}°`),
    el("td", { class: "number" }, item.try_no ?? ""),
    el("td", { class: `verdict-${item.verdict ?? "none"}` }, verdict, disputeStamp(item)),
    el("td", { class: "number" }, value("ramp_deg")),
    el("td", { class: "number" }, value("chassis_deg")),
    el("td", { class: "number" }, value("mean_speed_mm_s")),
    el("td", {}, item.marked_by),
    el("td", {}, el("time", { datetime: item.marked_at }, when(item.marked_at))),
    el(
      "td",
      { class: "ways" },
      button(pastWords(item), () => {
        if (shown) unfolded.delete(item.id);
        else unfolded.add(item.id);
        draw();
      }, { class: "plain", "aria-expanded": String(shown), "aria-label": `${pastWords(item)} of ${item.id}`, data: { spot: `past ${item.id}` } }),
    ),
  );
  return shown ? [row, history(item)] : [row];
}

/** @param {any} item */
function pastWords(item) {
  return item.revision === 1 ? "1 revision" : `${item.revision} revisions`;
}

/** @param {string} id @param {any} ctx */
function historyRow(id, ctx) {
  return el("tr", { class: "history-row" }, el("td", { colspan: String(HEADS.length) }, revisionList(id, ctx)));
}
