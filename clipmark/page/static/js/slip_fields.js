/**
 * Fields of the run slip: what each is called, what it offers, and how it is read and written.
 *
 * Pure but for reading the store. A field's text is kept as it is typed until it is left.
 */

import { testOf } from "./missing_rules.js";
import { numberOf } from "./plain.js";

/**
 * @typedef {object} Field
 * @property {string} name                     of `draft.details`
 * @property {string} label
 * @property {"text"|"number"|"whole"} kind
 * @property {[number, number]} [range]        smallest and largest number taken
 * @property {string} [unit]
 * @property {string[]} [kinds]                kinds of test that have it; all when left out
 * @property {(store: any) => {value: string, more?: string}[]} choices
 */

const plain = (values) => [...new Set(values.filter(Boolean))].map((value) => ({ value: String(value) }));

/** @type {Field[]} */
export const FIELDS = [
  {
    name: "entry",
    label: "entry",
    kind: "text",
    choices: ({ event }) => (event?.entries ?? []).map((entry) => ({ value: entry.name, more: entry.driver })),
  },
  {
    name: "setup",
    label: "set-up",
    kind: "text",
    choices: ({ event, draft }) =>
      plain(event?.entries?.find((entry) => entry.name === draft.details.entry)?.setups ?? []),
  },
  {
    name: "test",
    label: "test",
    kind: "text",
    choices: ({ event }) => (event?.tests ?? []).map((test) => ({ value: test.id, more: test.kind })),
  },
  {
    name: "try_no",
    label: "try",
    kind: "whole",
    range: [1, 999],
    choices: ({ draft, event }) =>
      plain(Array.from({ length: testOf(draft, event)?.tries_per_step ?? 3 }, (_, k) => String(k + 1))),
  },
  {
    name: "step_deg",
    label: "step",
    kind: "number",
    range: [0, 180],
    unit: "°",
    choices: ({ draft, event }) => plain((testOf(draft, event)?.steps_deg ?? []).map(String)),
  },
  { name: "set_start_deg", label: "set, start", kind: "number", range: [-90, 180], unit: "°", choices: () => [] },
  { name: "set_end_deg", label: "set, end", kind: "number", range: [-90, 180], unit: "°", choices: () => [] },
  {
    name: "surface",
    label: "surface",
    kind: "text",
    choices: ({ event, draft }) =>
      plain([testOf(draft, event)?.surface, ...(event?.tests ?? []).map((test) => test.surface)]),
  },
  { name: "progress", label: "progress", kind: "number", range: [0, 1e6], kinds: ["course"], choices: () => [] },
  { name: "penalties", label: "penalties", kind: "number", range: [0, 1e6], kinds: ["course"], choices: () => [] },
  {
    name: "grade",
    label: "grade",
    kind: "number",
    range: [-1e6, 1e6],
    kinds: ["graded"],
    choices: ({ draft, event }) =>
      (testOf(draft, event)?.grades ?? []).map(([grade, points]) => ({ value: String(grade), more: `${points} points` })),
  },
  {
    name: "called_by",
    label: "called by",
    kind: "text",
    choices: ({ event }) => plain(event?.people ?? []),
  },
  { name: "note", label: "note", kind: "text", choices: () => [] },
];

/** Which way the truck goes, in the words of the attempts file. */
export const TRAVELS = ["up", "down", "level"];
/** What a person may say of an attempt. */
export const VERDICTS = ["cleared", "failed", "void"];

/**
 * Read what was typed.
 *
 * @param {Field} field
 * @param {string} text
 * @returns {{value: string|number|null, error: string|null}}
 */
export function readField(field, text) {
  const trimmed = text.trim();
  if (trimmed === "") {
    return { value: null, error: null };
  }
  if (field.kind === "text") {
    return { value: field.name === "note" ? text : trimmed, error: null };
  }
  const value = numberOf(trimmed);
  const [least, most] = field.range;
  if (!Number.isFinite(value) || (field.kind === "whole" && !Number.isInteger(value))) {
    const what = field.kind === "whole" ? "a whole number" : "a number";
    return { value: null, error: `${capital(field.label)} takes ${what}, but "${trimmed}" is none.` };
  }
  if (value < least || value > most) {
    return { value: null, error: `${capital(field.label)} lies between ${least} and ${most}, but ${trimmed} was given.` };
  }
  return { value, error: null };
}

/** @param {string} label */
function capital(label) {
  return label[0].toUpperCase() + label.slice(1);
}

/**
 * Whether a field stands on the slip: its test has it, or something is written there.
 *
 * @param {Field} field
 * @param {any} store
 */
export function hasPlace(field, { draft, event }) {
  const written = (draft.details[field.name] ?? null) !== null;
  return written || !field.kinds || field.kinds.includes(testOf(draft, event)?.kind);
}

/** How a value of the draft is shown in its field. */
export function fieldText(value) {
  if (value === null || value === undefined) {
    return "";
  }
  return typeof value === "number" ? String(value).replace("-", "\u2212") : String(value);
}

/** Reasons that go with a verdict, from the rule sheet's words. */
export function reasonsFor(verdict, event) {
  return event?.reasons?.[verdict] ?? [];
}

/**
 * Put a verdict on the draft; a reason that no longer goes with it is taken away.
 *
 * @param {object} draft  a copy, changed in place
 * @param {string|null} verdict
 * @param {object} event
 */
export function giveVerdict(draft, verdict, event) {
  draft.details.verdict = verdict;
  if (!reasonsFor(verdict, event).includes(draft.details.reason)) {
    draft.details.reason = null;
  }
}
