/**
 * The panel of a dispute: what is claimed, what the footage says of it, what is entered; and the
 * readings of the attempt measured once more.
 */

import { button, el, put } from "./dom.js";
import { OUTCOMES } from "./dispute_words.js";
import { runErrand } from "./errands.js";
import { field, readAll } from "./form_parts.js";

const RELATIONS = [
  [">=", "is at least"],
  ["<=", "is at most"],
  [">", "is above"],
  ["<", "is below"],
  ["=", "is equal to"],
];

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  ctx.panels.add({
    name: "dispute",
    title: "Disputed result",
    size: "wide",
    build: (panel, { id }) => build(panel, ctx, id),
  });
  ctx.actions.add({
    name: "dispute",
    label: "Dispute the attempt, repeat its readings",
    group: "Panels",
    run: () => {
      if (ctx.store.draft.attempt) ctx.panels.open("dispute", { id: ctx.store.draft.attempt });
      else ctx.notices.say("Nothing is signed here yet, so there is no result to dispute.", "refusal");
    },
  });
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx @param {string} id */
async function build(panel, ctx, id) {
  panel.setTitle(`Disputed result: ${id}`);
  let open = true;
  panel.onClose(() => {
    open = false;
  });
  const place = el("div", { class: "dispute" }, el("p", { class: "soft" }, "Looking \u2026"));
  put(panel.body, place);
  const path = `api/attempts/${encodeURIComponent(id)}`;
  try {
    const known = await ctx.api.get(`${path}/claims`);
    if (open) put(place, ...parts(known, { ctx, id, path, isOpen: () => open, again: () => build(panel, ctx, id) }));
  } catch (error) {
    put(place, el("p", { class: "bad", role: "alert" }, error.message));
  }
}

/** @param {any} known @param {any} of */
function parts(known, of) {
  return [
    el("p", {}, `The judge's verdict is ${known.verdict ?? "not given yet"}. Nothing here changes it: a claim and what the footage says of it stand beside it.`),
    known.protests.length ? protestList(known.protests, of) : null,
    known.measures.length
      ? claimForm(known, of)
      : el("p", { class: "soft" }, "This attempt has no reading yet. What the footage says can be asked once an angle or a crawl is measured and signed; a judge's call stays the judge's."),
    repeatPart(of),
  ];
}

/** @param {any[]} protests @param {any} of */
function protestList(protests, of) {
  return el(
    "section",
    { "aria-label": "Protests" },
    el("h3", {}, "Protests"),
    el("ol", { role: "list", class: "history-list" }, protests.map((item) => protestItem(item, of))),
  );
}

/** @param {any} item @param {any} of */
function protestItem(item, of) {
  const ruling = item.ruling;
  const state = el("p", { role: "status" });
  const answer = el("div", {});
  const rule = button("See what the footage says", () =>
    askFootage(item.claim, of, { state, answer, sign: signature(of), file: () => ({ protest: item.id, claim: item.claim }) }),
  { "aria-label": `See what the footage says of ${item.id}: ${item.claim}` });
  return el(
    "li",
    { class: "history-item" },
    el(
      "div",
      { class: "history-head" },
      el("strong", {}, item.id),
      el("span", {}, item.words),
      el("span", { class: "soft" }, item.by ? `claimed by ${item.by}` : "claimed by nobody named"),
      ruling ? null : el("span", { class: "stamp warn" }, "not ruled on yet"),
      rule,
    ),
    ruling && el("p", {}, `Ruled${ruling.by ? ` by ${ruling.by}` : ""}: ${OUTCOMES[ruling.outcome]}.${ruling.note ? ` ${ruling.note}` : ""}`),
    item.note && el("p", { class: "soft" }, item.note),
    state,
    answer,
  );
}

/** @param {any} known @param {any} of */
function claimForm(known, of) {
  const first = known.measures[0];
  const measure = field({ name: "measure", label: "What is claimed of", kind: "choice", choices: known.measures.map((item) => [item.measure, item.measure]) });
  const relation = field({ name: "relation", label: "Relation", kind: "choice", choices: RELATIONS });
  const value = field({ name: "value", label: "Value", hint: `in ${first.unit || "no unit"}`, needed: true });
  const by = field({ name: "protested_by", label: "Who protests" });
  const note = field({ name: "note", label: "Note", kind: "area" });
  const sign = signature(of);
  const hint = value.node.querySelector(".field-hint");
  const state = el("p", { role: "status" });
  const answer = el("div", {});
  const unitOf = () => known.measures.find((item) => item.measure === measure.read())?.unit ?? "";
  measure.input.addEventListener("change", () => {
    if (hint) hint.textContent = `in ${unitOf() || "no unit"}`;
    put(answer);
  });
  const all = [measure, relation, value, by, note];
  const shown = [...all, sign];

  /** The claim as it would be typed on the command line; null while something is missing. */
  function claim() {
    const said = readAll(all);
    return said && `${said.measure} ${said.relation} ${String(said.value).replace(",", ".")} ${unitOf()}`.trim();
  }
  const file = () => ({ claim: claim(), protested_by: by.read() ?? "", note: note.read() ?? "" });
  return el(
    "section",
    { "aria-label": "A new protest" },
    el("h3", {}, "A new protest"),
    el("div", { class: "details-form" }, shown.map((item) => item.node)),
    el(
      "div",
      { class: "row" },
      button("See what the footage says", () => {
        const said = claim();
        if (said) askFootage(said, of, { state, answer, sign, file });
      }, { class: "main" }),
      button("Enter it, rule later", () => {
        if (claim()) fileIt(file(), of, { state, sign });
      }),
    ),
    state,
    answer,
  );
}

/**
 * Ask the footage, and offer to file what it says.
 *
 * @param {string} claim @param {any} of
 * @param {{state: HTMLElement, answer: HTMLElement, file: () => Record<string, any>, sign: import("./form_parts.js").Field}} to
 */
async function askFootage(claim, of, { state, answer, file, sign }) {
  put(answer);
  state.className = "soft";
  try {
    const found = await runErrand(of.ctx.api, `${of.path}/ruling`, { claim }, (words) => {
      state.textContent = words;
    }, of.isOpen);
    if (!found) return;
    state.textContent = "";
    put(answer, ...told(found.result), sign.node.isConnected ? null : sign.node, el("div", { class: "row" },
      button(file().protest ? "Enter this ruling" : "Enter the protest and this ruling", () =>
        fileIt({ ...file(), errand: found.id }, of, { state, sign }), { class: "main" })));
  } catch (error) {
    state.className = "bad";
    state.textContent = error.message;
  }
}

/** What the footage says, both risks, and what would decide. @param {any} result */
function told(result) {
  const list = (title, items) => (items.length
    ? [el("h4", {}, title), el("ul", {}, items.map((text) => el("li", {}, text)))]
    : []);
  return [
    el("p", { class: "dispute-outcome" }, el("strong", {}, `${OUTCOMES[result.outcome][0].toUpperCase()}${OUTCOMES[result.outcome].slice(1)}`)),
    ...result.said.map((text) => el("p", {}, text)),
    ...list("What would decide", result.would_decide),
    ...list("Beside it", [...result.beside, ...result.notes]),
  ];
}

/** The name of who enters it. @param {any} of */
function signature(of) {
  return field({ name: "by", label: "Who enters it", needed: true, value: of.ctx.store.ui.by ?? "" });
}

/** @param {Record<string, any>} body @param {any} of @param {{state: HTMLElement, sign: import("./form_parts.js").Field}} to */
async function fileIt(body, of, { state, sign }) {
  const signed = readAll([sign]);
  if (!signed) return;
  try {
    const saved = await of.ctx.api.post(`${of.path}/protests`, { ...body, by: signed.by });
    const what = saved.ruled ? "the ruling on it" : "the protest";
    of.ctx.notices.say(`${saved.protest}: ${what} is in the journal, with revision ${saved.revision} of ${of.id}. The judge's verdict is as it was.`, "success");
    const { store, opener } = of.ctx;
    if (store.key === of.id && !store.dirty) await opener.openAttempt(of.id); // it has a newer revision now
    else store.tell("disputed");
    of.again();
  } catch (error) {
    state.className = "bad";
    state.textContent = error.message;
  }
}

/** @param {any} of */
function repeatPart(of) {
  const state = el("p", { role: "status", class: "soft" });
  const answer = el("div", {});
  const run = async () => {
    put(answer);
    state.className = "soft";
    try {
      const found = await runErrand(of.ctx.api, `${of.path}/replay`, {}, (words) => {
        state.textContent = words;
      }, of.isOpen);
      if (!found) return;
      state.textContent = found.result.agrees ? "Everything came back as it was recorded." : "Not everything came back as it was recorded.";
      const said = [...found.result.notes, ...found.result.readings.flatMap((item) => item.sentences)];
      put(answer, el("ul", {}, said.map((text) => el("li", {}, text))));
    } catch (error) {
      state.className = "bad";
      state.textContent = error.message;
    }
  };
  return el(
    "section",
    { "aria-label": "The readings once more" },
    el("h3", {}, "The readings once more"),
    el("p", { class: "soft" }, "Measured again from the recorded marks and the clip; nothing is saved."),
    button("Repeat the readings", run),
    state,
    answer,
  );
}
