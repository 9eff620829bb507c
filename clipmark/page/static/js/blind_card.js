// The card of the picture in hand: which one, what is to be marked on it, the verdict, the signature.

import { markedCount, openOnes, stateOf } from "./blind_marks.js";
import { button, el, freshId, put } from "./dom.js";
import { keyText } from "./keys.js";
import { swatch } from "./legend.js";
import { kindOf, markedIds } from "./mark_kinds.js";

export const REASONS = {
  failed: ["stalled", "spun", "slid-back", "tipped-back", "rolled", "off-line", "touched", "out-of-time", "cut-off"],
  void: ["board-moved", "interference", "footage"],
};
const VERDICTS = [[null, "leave open"], ["cleared", "cleared"], ["failed", "failed"], ["void", "void"]];
const words = (reason) => reason.replaceAll("-", " ");

/** @param {HTMLElement} root the region `#card` @param {any} ctx */
export function mount(root, ctx) {
  const { store, actions } = ctx;
  const title = el("h1", { tabindex: "-1", class: "card-title" });
  const progress = el("progress", { "aria-label": "Pictures signed" });
  const lead = el("p", { class: "small soft" });
  const list = el("ul", { role: "list", class: "wanted" });
  const verdict = verdictChoice(ctx);
  const sign = button("Sign picture", () => actions.run("sign-picture"), { class: "main card-sign" });
  const leave = button("Cannot be marked", () => actions.run("leave-picture"), { class: "card-leave" });
  const still = el("p", { class: "small card-still", role: "status" });
  const work = el("div", { class: "card-work" }, lead, list, verdict.node,
    el("div", { class: "card-end" }, still, sign, leave));
  const over = el("div", { class: "card-over" });
  put(root, title, progress, work, over);
  let rows = [];

  function build() {
    const { ui } = store;
    rows = (ui.wanted ?? []).map((one) => row(ctx, one));
    put(list, rows.map((one) => one.node));
    put(title, ui.state === "marking" ? `Picture ${ui.number} of ${ui.total}` : "All pictures are signed");
    if (ui.state === "closed") put(title, "Closed");
    progress.setAttribute("max", String(ui.total || 1));
    progress.setAttribute("value", String(ui.signed ?? 0));
    work.hidden = ui.state !== "marking";
    over.hidden = ui.state === "marking";
    put(lead, "Mark these on the frame shown first. Give a verdict only after watching the whole run.");
    put(over, ui.state === "done"
      ? [el("p", {}, "Thank you. Close the marking now: nothing is changed any more, and it can be compared."),
        button("Close the marking", () => actions.run("close-plan"), { class: "main" })]
      : el("p", {}, "The marking is closed. Thank you; this page can be left."));
    update();
  }

  function update() {
    for (const one of rows) one.update();
    verdict.update();
    const needed = openOnes(store).filter((one) => one.needed);
    const told = store.ui.isSigning ? "Being measured and kept\u2026"
      : needed.length ? `Still to mark: ${needed.map((one) => kindOf(one.name).label).join(", ")}.` : "Everything is marked.";
    if (still.textContent !== told) put(still, told);
    sign.disabled = needed.length > 0 || Boolean(store.ui.isSigning) || !store.clip?.facts;
    leave.disabled = Boolean(store.ui.isSigning);
  }

  let due = 0;
  const later = () => {
    due ||= requestAnimationFrame(() => {
      due = 0;
      update();
    });
  };
  store.subscribe(build, ["loaded", "clip"]);
  store.subscribe(later, ["draft", "ui", "fits"]);
  build();
  return { focus: () => title.focus({ preventScroll: true }) };
}

/** One thing to be marked: pressed, it is picked. */
function row(ctx, wanted) {
  const { store, edit, keys } = ctx;
  const kind = kindOf(wanted.name);
  const state = el("span", { class: "wanted-state" });
  const key = el("kbd", {}, keyText(keys.of(`pick-${kind.name}`)[0] ?? ""));
  const pick = button("", () => edit.pick(kind.name), { class: "wanted-pick", data: { pick: kind.name }, "aria-pressed": "false" });
  put(pick, key, el("span", { class: "wanted-words" }, el("span", {}, kind.label), swatch(kind)), state);
  const remove = button("×", () => edit.remove(last()), {
    class: "plain wanted-remove", "aria-label": `Remove the ${kind.label}`, title: `Remove the ${kind.label}`,
  });
  const hint = el("p", { class: "small soft wanted-hint" }, wanted.hint || kind.hint);
  const node = el("li", { class: "wanted-row", data: { kind: kind.name } }, pick, remove, hint);
  const ids = () => markedIds(store.draft.marks).filter((id) => kindOf(id).name === kind.name);

  function last() {
    const held = store.ui.hand?.mark;
    return ids().includes(held) ? held : ids().at(-1);
  }

  function update() {
    const told = stateOf(ctx, wanted);
    if (state.textContent !== told.text) put(state, told.text);
    node.dataset.state = told.state;
    const held = store.ui.tool === kind.name || ids().includes(store.ui.hand?.mark);
    pick.setAttribute("aria-pressed", String(held));
    hint.hidden = !(wanted.hint || held);
    remove.toggleAttribute("data-idle", markedCount(store.draft.marks, wanted) === 0);
  }
  return { node, update };
}

/** Cleared, failed, void, or left open; with its reason. */
function verdictChoice({ store }) {
  const set = (verdict, reason = null) =>
    store.change(verdict ? `verdict ${verdict}` : "leave the verdict open", ({ details }) => {
      details.verdict = verdict;
      details.reason = verdict in REASONS ? reason : null;
    });
  const choice = (label, run) => {
    const id = freshId("verdict");
    const select = /** @type {HTMLSelectElement} */ (el("select", { id, on: { change: () => run(select.value || null) } }));
    return { select, node: el("div", { class: "verdict-choice" }, el("label", { for: id }, label), select) };
  };
  const verdict = choice("Verdict", (value) => set(value));
  const reason = choice("reason", (value) => set(store.draft.details.verdict, value));
  put(verdict.select, VERDICTS.map(([value, label]) => el("option", { value: value ?? "" }, label)));
  const node = el("div", { class: "verdict", role: "group", "aria-label": "Verdict, after watching the whole run" },
    verdict.node, reason.node);
  let shown = null;

  function update() {
    const { verdict: given = null, reason: why = null } = store.draft.details;
    verdict.select.value = given ?? "";
    const reasons = REASONS[given] ?? [];
    reason.node.hidden = reasons.length === 0;
    if (shown !== given) {
      put(reason.select, el("option", { value: "" }, "not said"), reasons.map((one) => el("option", { value: one }, words(one))));
      shown = given;
    }
    reason.select.value = why ?? "";
  }
  return { node, update };
}
