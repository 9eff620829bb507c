/**
 * A number that explains itself: the value, and on hover, focus or tap the budget behind it,
 * what was warned of, and where it came from. Escape closes it.
 */

import { el } from "./dom.js";
import { budgetRows, decimalsFor, fixed, intervalOf, measured, provenance, sentenceOf, unitAfter, written } from "./numbers.js";
import { asSentence, withoutOptions } from "./plain.js";

const OPEN_AFTER_MS = 180;
const CLOSE_AFTER_MS = 220;
const GAP_PX = 6;
let count = 0;

/**
 * Make a number.
 *
 * @param {{label: string, name: string, words?: (result: object) => string|null,
 *   explain?: (result: object) => Node[]}} options
 *   `words` may answer a text in place of the number (such as "none" for stalls), and `explain`
 *   what its card says then
 * @returns {{node: HTMLElement,
 *   update: (result: object|null, state?: "live"|"stale"|"", why?: string|null) => void}}
 *   `why` there is none of the marks as they are: said where the number is a stale one
 */
export function numberView({ label, name, words, explain }) {
  count += 1;
  const noteId = `number-note-${count}`;
  const estimate = el("span", { class: "number-estimate" });
  const spread = el("span", { class: "number-spread" });
  const state = el("span", { class: "number-state" });
  const note = el("span", { class: "unseen", id: noteId });
  const button = el(
    "button",
    { type: "button", class: "number-value plain", "aria-expanded": "false", "aria-describedby": noteId },
    el("span", { class: "number-label" }, label),
    " ",
    estimate,
    " ",
    spread,
    " ",
    state,
  );
  const node = el("div", { class: "number", "data-name": name }, button, note);
  let shown = null;
  attachCard(button, () => shown && [...whyStale(shown.how, shown.why), ...card(label, shown.result, name, shown.value, explain)]);

  function update(result, how = "", why = null) {
    const value = measured(result, name);
    shown = result && (value.value !== null || words) ? { result, value, how, why } : null;
    node.hidden = result === null || (value.value === null && !words);
    if (node.hidden) {
      return;
    }
    const said = words?.(result) ?? null;
    const parts = said === null ? written(value) : { number: said, spread: "", unit: "" };
    const unit = unitAfter(parts.unit);
    estimate.textContent = parts.spread ? parts.number : parts.number + unit;
    spread.textContent = parts.spread && parts.spread + unit;
    state.textContent = { live: "preliminary", stale: "before the last change" }[how] ?? "";
    node.dataset.state = how;
    const most = budgetRows(result, name)[0];
    const about = [how === "stale" && why && `not of the marks as they are (${why})`, intervalOf(value), most && `mostly from: ${most.source}`];
    note.textContent = about.filter(Boolean).join("; ");
  }
  return { node, update };
}

/** What a stale number's card says first. */
function whyStale(how, why) {
  if (how !== "stale") {
    return [];
  }
  const now = why ? `The marks as they are give none. ${asSentence(why)}` : "The marks as they are have not been measured.";
  return [el("p", { class: "warn" }, "Of before the last change. ", now)];
}

/** Everything a reading says of one value, as nodes. */
function card(label, result, name, value, explain) {
  const rows = budgetRows(result, name);
  const parts = explain?.(result) ?? [
    el("p", { class: "number-card-title" }, `${label}: ${sentenceOf(value)}`),
    el("p", { class: "soft" }, intervalOf(value) || "No interval is known for it."),
  ];
  if (rows.length) {
    parts.push(budgetTable(rows, value.unit));
  }
  const warnings = result.warnings ?? [];
  if (warnings.length) {
    parts.push(el("ul", { class: "number-warnings" }, ...warnings.map((text) => el("li", {}, withoutOptions(text)))));
  }
  const pairs = provenance(result);
  parts.push(
    el(
      "dl",
      { class: "number-origin figures" },
      ...pairs.flatMap(([what, text]) => [el("dt", {}, what), el("dd", {}, text)]),
    ),
  );
  return parts;
}

function budgetTable(rows, unit) {
  const head = ["source", "kind", unit ? `u, ${unit}` : "u", "share", "what would reduce it"];
  return el(
    "table",
    {},
    el("caption", { class: "unseen" }, "What makes up the uncertainty"),
    el("thead", {}, el("tr", {}, ...head.map((text) => el("th", { scope: "col" }, text)))),
    el(
      "tbody",
      {},
      ...rows.map((row) =>
        el(
          "tr",
          {},
          el("th", { scope: "row" }, row.source),
          el("td", {}, row.kind),
          el("td", { class: "number" }, row.u > 0 ? fixed(row.u, decimalsFor(row.u)) : "0"),
          el("td", { class: "number" }, row.share < 0.005 ? "< 1 %" : `${Math.round(row.share * 100)} %`),
          el("td", { class: "soft" }, row.advice),
        ),
      ),
    ),
  );
}

/** The one card that is open, and how it is put away. */
let open = null;

/**
 * Let a button show a card of nodes: while hovered or focused, kept by a click, put away by Escape.
 *
 * @param {HTMLElement} button
 * @param {() => Node[]|null} content
 */
export function attachCard(button, content) {
  let timer = 0;
  const later = (run, after_ms) => {
    clearTimeout(timer);
    timer = window.setTimeout(run, after_ms);
  };
  const show = (kept) => {
    clearTimeout(timer);
    if (open?.button === button) {
      open.kept ||= kept;
      return;
    }
    const nodes = content();
    if (nodes) {
      openCard(button, nodes, kept, { stay: () => clearTimeout(timer), leave: () => later(hide, CLOSE_AFTER_MS) });
    }
  };
  const hide = () => {
    const focused = document.activeElement;
    if (open?.button === button && !open.kept && focused !== button && focused !== open.sheet) {
      closeCard();
    }
  };
  button.addEventListener("pointerenter", (event) => {
    if (event.pointerType !== "touch") {
      later(() => show(false), OPEN_AFTER_MS);
    }
  });
  button.addEventListener("pointerleave", () => later(hide, CLOSE_AFTER_MS));
  button.addEventListener("focus", () => {
    if (button.matches(":focus-visible")) {
      show(false);
    }
  });
  button.addEventListener("blur", (event) => {
    // A card too long for the window is scrolled from the keyboard, so it may take the focus.
    if (open?.button === button && event.relatedTarget !== open.sheet) {
      closeCard();
    }
  });
  button.addEventListener("click", () => {
    if (open?.button === button && open.kept) {
      closeCard();
    } else {
      show(true);
    }
  });
}

function openCard(button, nodes, kept, { stay, leave }) {
  closeCard();
  const sheet = el("div", { class: "number-card", popover: "manual", tabindex: "0", role: "region", "aria-label": "explanation" }, ...nodes);
  // Inside a dialog the rest of the page is inert, so the card goes where its button is.
  (button.closest("dialog, section, main") ?? document.body).append(sheet);
  sheet.addEventListener("pointerenter", stay);
  sheet.addEventListener("pointerleave", leave);
  sheet.addEventListener("blur", closeCard);
  // Pressing on the card must not take the focus from the button, which would close it.
  sheet.addEventListener("pointerdown", (event) => event.preventDefault());
  sheet.showPopover();
  place(sheet, button.getBoundingClientRect());
  button.setAttribute("aria-expanded", "true");
  open = { button, sheet, kept };
  document.addEventListener("keydown", onEscape, true);
  document.addEventListener("pointerdown", onPress, true);
}

function closeCard() {
  if (!open) {
    return;
  }
  const { button, sheet } = open;
  open = null; // before the card goes: its blur comes back here
  button.setAttribute("aria-expanded", "false");
  sheet.remove();
  document.removeEventListener("keydown", onEscape, true);
  document.removeEventListener("pointerdown", onPress, true);
}

function onEscape(event) {
  if (event.key === "Escape") {
    event.stopPropagation();
    event.preventDefault();
    closeCard();
  }
}

function onPress(event) {
  if (open && !open.sheet.contains(event.target) && !open.button.contains(event.target)) {
    closeCard();
  }
}

/** Put a card under its button, or over it where there is more room. */
function place(sheet, at) {
  const { innerWidth, innerHeight } = window;
  const roomUnder = innerHeight - at.bottom - GAP_PX;
  const roomOver = at.top - GAP_PX;
  const under = roomUnder >= Math.min(sheet.offsetHeight, 260) || roomUnder >= roomOver;
  sheet.style.maxHeight = `${Math.max(80, (under ? roomUnder : roomOver) - GAP_PX)}px`;
  const height = sheet.offsetHeight;
  const left = Math.min(Math.max(GAP_PX, at.left), innerWidth - sheet.offsetWidth - GAP_PX);
  sheet.style.left = `${Math.max(0, left)}px`;
  sheet.style.top = `${under ? at.bottom + GAP_PX : at.top - GAP_PX - height}px`;
}
