/**
 * Sign and save: what will be written is shown first; the answer comes when it is on the disk.
 */

import { angleNow } from "./ladder.js";
import { button, el, put } from "./dom.js";
import { describeDeclared } from "./declared.js";
import { labelOf as labelOfMark, markedIds, neededFor } from "./mark_kinds.js";
import { missingItems } from "./missing_rules.js";
import { mountNewer } from "./newer.js";
import { spoken, measured, seconds, sentenceOf } from "./numbers.js";
import { showConflict } from "./conflict.js";
import { blockersOf, termWords, wordsOf } from "./motions.js";
import { asSentence, isGiven } from "./plain.js";
import { FIELDS, fieldText } from "./slip_fields.js";

/**
 * Register the dialog, its action, and the question on leaving.
 *
 * @param {HTMLElement} root  the region of the slip
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const { store, actions, panels } = ctx;
  const kind = { name: "sign", title: "Sign and save", size: "narrow", build: (panel) => build(panel, ctx) };
  actions.add({
    name: "sign",
    label: "Done: sign and save",
    group: "Attempt",
    key: ["d", "Ctrl+Enter"],
    run: () => {
      store.settle();
      panels.show(kind);
    },
  });
  mountNewer(root, ctx, (revision) => signNow(ctx, revision, () => {}));
  window.addEventListener("beforeunload", (event) => {
    if (store.dirty) {
      event.preventDefault();
    }
  });
}

function build(panel, ctx) {
  const { store } = ctx;
  const items = missingItems(store.draft, store.event, store.ui, store.clip?.facts?.frame_count);
  const stops = items.filter((item) => item.stops && item.id !== "by");
  const open = items.filter((item) => !item.stops && !item.optional);
  const by = /** @type {HTMLInputElement} */ (
    el("input", { id: "sign-by", type: "text", autocomplete: "off", maxlength: "120", required: true, value: store.ui.by ?? "", autofocus: !store.ui.by })
  );
  const said = el("p", { class: "sign-said", role: "alert" });
  const busy = el("p", { class: "sign-busy", role: "status" });
  const sign = button("Sign and save", () => submit(), { class: "main", autofocus: Boolean(store.ui.by), "aria-disabled": stops.length ? "true" : null });

  async function submit() {
    const name = by.value.trim();
    if (stops.length) {
      said.textContent = whyNot(stops);
      return;
    }
    if (!name) {
      said.textContent = "Somebody has to sign; write the name of who marks.";
      by.focus();
      return;
    }
    if (sign.disabled) {
      return;
    }
    store.setUi({ by: name });
    sign.disabled = true;
    said.textContent = "";
    busy.textContent = "Measuring with the marks as they are, and writing \u2026";
    const error = await signNow(ctx, store.draft.base_revision, () => panel.close());
    busy.textContent = "";
    said.textContent = error ?? "";
    sign.disabled = false;
  }

  put(
    panel.body,
    el("form", { class: "sign-form", on: { submit: (event) => { event.preventDefault(); submit(); } } },
      el("dl", { class: "sign-list" }, written(store).flatMap(([what, text]) => [el("dt", {}, what), el("dd", {}, text)])),
      stops.length ? el("p", { class: "bad" }, whyNot(stops)) : null,
      open.length ? el("p", { class: "warn" }, `Still missing, and saved without: ${open.map((item) => item.label).join(", ")}.`) : null,
      el("div", { class: "sign-by" }, el("label", { for: "sign-by" }, "Signed by: who marks"), by),
      busy,
      said,
      el("div", { class: "sign-end" }, sign, button("Not yet", () => panel.close())),
    ),
  );
}

/** Why nothing can be saved yet: what cannot be read, and what is missing. */
function whyNot(stops) {
  const wrong = stops.filter((item) => item.wrong).map((item) => item.wrong);
  const missing = stops.filter((item) => !item.wrong).map((item) => item.label);
  const needed = missing.length ? [`An attempt needs ${missing.join(" and ")}; fill it in on the slip first.`] : [];
  return [...wrong, ...needed].join(" ");
}

/** What the revision will say, in the order of the slip. */
function written(store) {
  const { draft, event, readings } = store;
  const d = draft.details;
  const angle = angleNow(store);
  const crawl = readings.crawl?.result ?? null;
  const step = d.step_deg === null ? "" : `, step ${d.step_deg}°`;
  const tries = d.try_no === null ? "" : `, try ${d.try_no}`;
  const [a, b] = draft.marks.span ?? [];
  const times = store.clip?.times_s;
  const value = (result, name, how) => {
    const words = sentenceOf(measured(result, name));
    return how === "" ? words : `will be measured again; it was ${words}`;
  };
  const willBeMeasured = !angle.why && !angle.result && draft.clip && neededFor("angle", draft.marks).length === 0;
  const stale = crawl && store.current("crawl") === null ? "stale" : "";
  return [
    ["attempt", draft.attempt ? `${draft.attempt}, revision ${(store.revision ?? draft.base_revision ?? 0) + 1}` : "a new one"],
    ["entry, test", `${d.entry ?? "not given"}, ${d.test ?? "not given"}${step}${tries}`],
    ...["setup", "surface"].filter((name) => d[name]).map((name) => [labelOf(name), d[name]]),
    (isGiven(d.set_start_deg) || isGiven(d.set_end_deg)) && ["set angle", setWords(d)],
    d.travel && ["travel", d.travel],
    ...["progress", "penalties", "grade"].filter((name) => isGiven(d[name])).map((name) => [name, fieldText(d[name])]),
    ["verdict", [d.verdict ?? "not given", d.reason && spoken(d.reason)].filter(Boolean).join(": ")],
    d.called_by && ["called by", d.called_by],
    ["clip", draft.clip ? (store.clip?.name ?? draft.clip.slice(0, 12)) : "none: called only"],
    draft.marks.span && ["from, to", `frame ${a} to ${b} (${seconds(times?.[a])} to ${seconds(times?.[b])})`],
    angle.why && ["angle", `none. ${asSentence(angle.why)}`],
    willBeMeasured && ["angle", "will be measured now"],
    !angle.why && angle.result && ["ramp", value(angle.result, "ramp_deg", angle.how)],
    !angle.why && angle.result?.chassis_deg != null && ["chassis", value(angle.result, "chassis_deg", angle.how)],
    crawl && ["mean speed", value(crawl, "mean_speed_mm_s", stale)],
    crawl && ["ripple", value(crawl, "ripple", stale)],
    ...motionRows(store, value),
    draft.stand && ["stand", event?.stands?.find((stand) => stand.id === draft.stand)?.body?.name || draft.stand],
    draft.further_clips.length && ["further clips", draft.further_clips.map((item) => item.as).join(", ")],
    markedIds(draft.marks).length && ["marks", marksWords(draft.marks)],
    draft.clip && ["view, sizes", describeDeclared(draft.marks)],
    draft.calls.length && ["calls", draft.calls.map((call) => `${spoken(call.call)} ${seconds(call.t_s)}`).join(", ")],
    d.note && ["note", d.note],
  ].filter(Boolean);
}

/** A climb or a side tilt: its terms, and what it found; or that it is not measured, and why that is. */
function motionRows(store, value) {
  const { marks } = store.draft;
  return ["climb", "tilt"].flatMap((motion) => {
    const result = store.readings[motion]?.result ?? null;
    const isChosen = marks.motion === motion;
    if (!result && !isChosen) return [];
    const { name } = wordsOf(motion, marks);
    const terms = termWords(motion, marks);
    const rows = terms ? [[`${name}, terms`, terms]] : [];
    if (blockersOf(motion, marks).length) {
      const why = blockersOf(motion, marks).map((need) => need.sentence).join(" ");
      const isKept = result && store.current(motion) !== null;
      return isKept ? rows : [...rows, [name, `none. ${why}`]];
    }
    if (!result) return [...rows, [name, "will be measured now"]];
    const how = store.current(motion) === null ? "stale" : "";
    const told = motion === "tilt" ? value(result, "tilt_deg", how) : `proposed ${result.proposed}; the verdict is yours`;
    return [...rows, [motion === "tilt" ? "tilt at first motion" : name, motion === "climb" && how ? "will be measured again" : told]];
  });
}

const labelOf = (name) => FIELDS.find((field) => field.name === name).label;

/** "plumb line, ramp line, hubs, on frame 20; edges not fitted" */
function marksWords(marks) {
  const names = markedIds(marks).map(labelOfMark).join(", ");
  return `${names}, on frame ${marks.frame ?? 0}${marks.edge_fit === false ? "; edges not fitted" : ""}`;
}

/** "11.6° at the start, 11.5° at the end", as far as they were written down. */
function setWords({ set_start_deg, set_end_deg }) {
  const said = [[set_start_deg, "at the start"], [set_end_deg, "at the end"]];
  return said.filter(([deg]) => isGiven(deg)).map(([deg, where]) => `${fieldText(deg)}° ${where}`).join(", ");
}

/**
 * Send the attempt; on a newer revision show both.
 *
 * @param {any} ctx
 * @param {number|null} baseRevision
 * @param {() => void} done  once it is saved, or has gone over to the comparison
 * @returns {Promise<string|null>} what was refused, as a sentence
 */
async function signNow(ctx, baseRevision, done) {
  const { store, api, notices } = ctx;
  const { key } = store;
  const draft = { ...store.draft, base_revision: baseRevision };
  try {
    const answer = await ctx.keeper.holdDuring(async () => {
      const saved = await api.post("api/attempts/sign", { key, by: store.ui.by, draft, base_revision: baseRevision });
      if (store.key === key) store.noteSigned(saved, draft);
      return saved;
    });
    if (store.key === answer.id) {
      history.replaceState(null, "", `#${new URLSearchParams({ attempt: answer.id })}`);
    }
    done();
    notices.say(`Signed and saved: attempt ${answer.id}, revision ${answer.revision}.`, "success");
    return null;
  } catch (error) {
    if (error.status === 409 && error.body?.theirs) {
      done();
      showConflict(ctx, error.body.theirs, { signOnTop: (revision) => signAgain(ctx, revision) });
      return null;
    }
    return error.message ?? String(error);
  }
}

async function signAgain(ctx, revision) {
  const refused = await signNow(ctx, revision, () => {});
  if (refused) {
    ctx.notices.say(refused, "refusal");
  }
}
