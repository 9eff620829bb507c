/**
 * The run slip: one attempt as a printed card that is filled in. Stub with the attempt's number at
 * the left, two rows of fields, the signature at the right.
 */

import { mountCallsList } from "./calls_list.js";
import { proposalSentence } from "./climb_told.js";
import { combo } from "./combo.js";
import { describeView, mountDeclared } from "./declared.js";
import { button, el, freshId, put } from "./dom.js";
import { spoken } from "./numbers.js";
import { recall, remember } from "./remembered.js";
import { FIELDS, TRAVELS, VERDICTS, fieldText, giveVerdict, hasPlace, readField, reasonsFor } from "./slip_fields.js";
import { slipDispute } from "./slip_dispute.js";
import { standCell } from "./slip_stand.js";
import { mountSpan } from "./span_cells.js";

const BY_KEPT = "clipmark.by";
const ROW_ONE = ["entry", "setup", "test", "try_no", "step_deg", "set_start_deg", "set_end_deg", "surface"];
const ROW_TWO = ["progress", "penalties", "grade", "called_by", "note"];

/**
 * Fill the region with the card.
 *
 * @param {HTMLElement} root
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const { store } = ctx;
  const cells = new Map(FIELDS.map((field) => [field.name, fieldCell(ctx, field)]));
  const travel = selectCell(ctx, "travel", "travel", () => TRAVELS);
  const reason = selectCell(ctx, "reason", "reason", () => reasonsFor(store.draft.details.verdict, store.event));
  const stand = standCell(ctx, cell);
  const verdict = verdictCell(ctx);
  const view = viewCell(ctx);
  const span = mountSpan(ctx);
  const calls = mountCallsList(ctx);
  const stub = stubOf(ctx);
  const signature = signatureCell(ctx);
  const proposed = proposedRow(ctx);
  mountDeclared(ctx);

  /** Escape leaves a field for the frame, where the keys of the marking sheet are. */
  function leave(event) {
    if (event.key === "Escape" && event.target.matches("input, select")) {
      event.preventDefault();
      event.stopPropagation();
      ctx.view.focus();
    }
  }

  const node = (name) => cells.get(name).node;
  const form = el(
    "form",
    { class: "slip-card", autocomplete: "off", on: { submit: (event) => event.preventDefault(), keydown: leave } },
    stub.node,
    el("div", { class: "slip-rows" },
      el("div", { class: "slip-row" }, ROW_ONE.map(node), travel.node, stand.node),
      el("div", { class: "slip-row" }, view.node, span.node, verdict.node, reason.node, ROW_TWO.map(node)),
      proposed.node,
      calls.node,
    ),
    signature.node,
  );
  put(root, form);

  const parts = [...cells.values(), travel, reason, stand, verdict, view, span, calls, stub, signature, proposed];
  const update = (what = new Set()) => parts.forEach((part) => part.update(what.has("loaded")));
  store.subscribe(update, ["draft", "loaded", "saved", "event", "ui", "clip", "readings"]);
  update();
}

/**
 * Put the focus where a thing of the slip is filled in.
 *
 * @param {string} name  field name, "by", "stand", "verdict", "declared"
 */
export function focusField(name) {
  const target = document.querySelector(`#slip [data-field="${CSS.escape(name)}"]`);
  if (target instanceof HTMLElement) {
    target.scrollIntoView({ block: "nearest" });
    target.focus();
  }
}

/** A cell of the card: its name in small print above what is written. */
function cell(name, label, ...content) {
  return el("div", { class: `cell cell-${name}` }, label, ...content);
}

function fieldCell({ store }, field) {
  const id = freshId(`slip-${field.name}`);
  const noteId = `${id}-note`;
  let wrong = false;
  /** What stood here before the typing began; a text that cannot be read leaves it so. */
  let standing = /** @type {{value: any}|null} */ (null);
  const { node: box, input } = combo({
    choices: () => field.choices(store),
    listLabel: field.label,
    input: {
      id,
      name: field.name,
      data: { field: field.name },
      inputmode: { whole: "numeric", number: "decimal" }[field.kind],
      maxlength: field.name === "note" ? 2000 : 120,
    },
    onInput: (text) => {
      standing ??= { value: store.draft.details[field.name] ?? null };
      const { value, error } = readField(field, text);
      const kept = error ? standing.value : value;
      wrong = error !== null; // known before the store tells of the change, so that the text stands
      store.changing(field.label, (draft) => {
        draft.details[field.name] = kept;
      });
      say(error);
    },
    onCommit: () => {
      if (!wrong) {
        standing = null;
      }
      store.settle();
    },
  });
  const note = el("span", { id: noteId, class: "cell-error bad", role: "alert" });
  const label = el("label", { for: id }, field.label, field.unit ? ` (${field.unit})` : "");

  function say(error) {
    wrong = error !== null;
    store.setWrong(field, error);
    note.textContent = error ?? "";
    if (wrong) {
      input.setAttribute("aria-invalid", "true");
      input.setAttribute("aria-describedby", noteId);
    } else {
      input.removeAttribute("aria-invalid");
      input.removeAttribute("aria-describedby");
    }
  }

  /** @param {boolean} isOther another attempt was opened: what was typed is not of it */
  function update(isOther) {
    const value = store.draft.details[field.name] ?? null;
    node.hidden = !hasPlace(field, store) && !wrong;
    const typing = document.activeElement === input && !isOther;
    // What is being typed stands ("3." is on its way to "3.5") unless it was changed elsewhere; so
    // does a text that cannot be read, until it is put right.
    if (wrong && !isOther && value === standing?.value) {
      return;
    }
    if (typing && !wrong && readField(field, input.value).value === value) {
      return;
    }
    standing = null;
    input.value = fieldText(value);
    input.title = field.kind === "text" ? fieldText(value) : ""; // long names do not fit
    say(null);
  }
  const node = cell(field.name, label, box, note);
  return { node, update };
}

function selectCell({ store }, name, labelText, options) {
  const id = freshId(`slip-${name}`);
  const select = /** @type {HTMLSelectElement} */ (
    el("select", {
      id,
      name,
      data: { field: name },
      on: {
        change: () =>
          store.change(labelText, (draft) => {
            draft.details[name] = select.value || null;
          }),
      },
    })
  );
  let offered = "";

  function update() {
    const value = store.draft.details[name] ?? "";
    const known = options();
    const all = known.includes(value) || !value ? known : [...known, value];
    if (all.join("\n") !== offered) {
      offered = all.join("\n");
      put(select, el("option", { value: "" }, "\u2013"), all.map((code) => el("option", { value: code }, spoken(code))));
    }
    select.value = value;
    select.disabled = all.length === 0;
  }
  return { node: cell(name, el("label", { for: id }, labelText), select), update };
}

function verdictCell({ store }) {
  const name = freshId("verdict");
  const boxes = VERDICTS.map((verdict) => {
    const box = /** @type {HTMLInputElement} */ (
      el("input", {
        type: "radio",
        name,
        value: verdict,
        on: { change: () => store.change("verdict", (draft) => giveVerdict(draft, verdict, store.event)) },
      })
    );
    return box;
  });
  // Arrows belong to the boxes here, not to the point in hand; pressing a ticked box clears it.
  const group = el(
    "fieldset",
    {
      class: "ticks",
      on: {
        keydown: (event) => {
          if (event.key.startsWith("Arrow") || event.key === " ") {
            event.stopPropagation();
          }
        },
      },
    },
    el("legend", { class: "label" }, "verdict"),
    el("div", { class: "tick-row" }, boxes.map((box) => el("label", { class: "tick" }, box, el("span", {}, box.value)))),
  );
  group.addEventListener("click", (event) => {
    const box = event.target;
    if (box instanceof HTMLInputElement && box.value === store.draft.details.verdict && box.dataset.was === "yes") {
      store.change("verdict", (draft) => giveVerdict(draft, null, store.event));
    }
  });

  function update() {
    const verdict = store.draft.details.verdict ?? null;
    const any = boxes.some((box) => box.value === verdict);
    boxes.forEach((box, index) => {
      box.checked = box.value === verdict;
      box.dataset.was = box.checked ? "yes" : "";
      // Where "verdict is missing" leads: the ticked box, or the first.
      if (any ? box.checked : index === 0) {
        box.dataset.field = "verdict";
      } else {
        delete box.dataset.field;
      }
    });
  }
  return { node: el("div", { class: "cell cell-verdict" }, group), update };
}

/** What the footage proposes, under the verdict and never in it. */
function proposedRow({ store }) {
  const node = el("p", { class: "slip-proposed small", hidden: true });

  function update() {
    const sentence = proposalSentence(store.readings.climb?.result);
    const stale = sentence && store.current("climb") === null ? " (Of before the last change.)" : "";
    node.hidden = sentence === null;
    const text = sentence ? sentence + stale : "";
    if (node.textContent !== text) {
      node.textContent = text;
    }
  }
  return { node, update };
}

function viewCell({ store, actions }) {
  const text = el("span", { class: "cell-text" });
  const press = button("", () => actions.run("declare"), { class: "cell-button", data: { field: "declared" } });
  put(press, el("span", { class: "label" }, "view, sizes "), text);

  function update() {
    text.textContent = describeView(store.draft.marks);
    text.title = text.textContent;
  }
  return { node: cell("view", press), update };
}

function stubOf(ctx) {
  const { store } = ctx;
  const dispute = slipDispute(ctx);
  const number = el("strong", { class: "stub-number figures" });
  const state = el("span", { class: "stub-state" });
  const node = el("div", { class: "slip-stub", role: "status" }, el("span", { class: "label" }, "attempt"), number, state, dispute.node);

  function update() {
    number.textContent = store.draft.attempt ?? "new";
    const signed = store.revision ? `revision ${store.revision}` : "not signed yet";
    const text = store.dirty && store.revision ? `${signed}, changed since` : signed;
    if (state.textContent !== text) {
      state.textContent = text;
    }
    node.dataset.dirty = store.dirty ? "yes" : "no";
  }
  return { node, update };
}

function signatureCell({ store, actions }) {
  const id = freshId("slip-by");
  const { node: box, input } = combo({
    listLabel: "people who signed before",
    choices: () => (store.event?.people ?? []).map((value) => ({ value })),
    input: { id, name: "marked-by", data: { field: "by" }, maxlength: 120 },
    onInput: (text) => {
      remember(BY_KEPT, text.trim());
      store.setUi({ by: text.trim() || null });
    },
    onCommit: () => {},
  });
  const sign = button("Sign and save", () => actions.run("sign"), { class: "main" });
  if (!store.ui.by) {
    store.ui.by = recall(BY_KEPT) || null;
  }

  function update() {
    if (document.activeElement !== input) {
      input.value = store.ui.by ?? "";
    }
  }
  const node = el("div", { class: "slip-sign" }, cell("by", el("label", { for: id }, "signature: who marks"), box), sign);
  return { node, update };
}
