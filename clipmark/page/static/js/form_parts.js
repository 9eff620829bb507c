/**
 * Fields of the forms in panels: a label, what is typed, a unit, and what is wrong with it.
 */

import { el, freshId } from "./dom.js";
import { numberOf } from "./plain.js";

/**
 * @typedef {object} FieldSpec
 * @property {string} name key in the record
 * @property {string} label
 * @property {"text" | "number" | "count" | "date" | "area" | "choice" | "yesno"} [kind]
 * @property {any} [value]
 * @property {string} [unit]
 * @property {string} [hint]
 * @property {Array<[any, string]>} [choices] value and words; of a choice
 * @property {string[]} [offers] what is offered while typing
 * @property {boolean} [needed]
 * @property {number} [least]
 * @property {number} [above] it must be more than this
 * @property {number} [most]
 * @property {number} [longest] characters; of a text
 */

/**
 * @typedef {object} Field
 * @property {string} name
 * @property {HTMLElement} node
 * @property {HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement} input
 * @property {() => any} read the value: text, number, true, false; null is unknown
 * @property {(value: any) => void} write
 * @property {() => (string | null)} problem what is wrong, shown beside it as well
 * @property {(choices: Array<[any, string]>) => void} setChoices
 * @property {(offers: string[]) => void} setOffers
 */

const LONGEST = { text: 200, area: 20_000 };

/** @param {FieldSpec} spec @returns {Field} */
export function field(spec) {
  const id = freshId("field");
  const kind = spec.kind ?? "text";
  const input = makeInput(kind, id);
  const wrong = el("span", { class: "field-wrong", id: `${id}-wrong`, hidden: true });
  const offered = el("datalist", { id: `${id}-offers` });
  /** @type {any[]} */
  let values = [];

  /** @param {Array<[any, string]>} choices */
  function setChoices(choices) {
    const before = read();
    values = choices.map(([value]) => value);
    input.replaceChildren(...choices.map(([, words], at) => el("option", { value: String(at) }, words)));
    write(values.includes(before) ? before : values[0]);
  }

  /** @param {string[]} offers */
  function setOffers(offers) {
    offered.replaceChildren(...offers.map((text) => el("option", { value: text })));
    if (offers.length > 0) input.setAttribute("list", offered.id);
  }

  function read() {
    if (kind === "choice" || kind === "yesno") return values[Number(input.value)] ?? null;
    const text = input.value.trim();
    if (kind === "number" || kind === "count") return text === "" ? null : numberOf(text);
    if (kind === "date") return text === "" ? null : text;
    return text;
  }

  /** @param {any} value */
  function write(value) {
    if (kind === "choice" || kind === "yesno") {
      input.value = String(Math.max(0, values.findIndex((item) => item === (value ?? null))));
    } else {
      input.value = value === null || value === undefined ? "" : String(value);
    }
  }

  function problem() {
    const sentence = problemOf(spec, kind, read());
    wrong.hidden = sentence === null;
    wrong.textContent = sentence ?? "";
    if (sentence === null) input.removeAttribute("aria-invalid");
    else input.setAttribute("aria-invalid", "true");
    return sentence;
  }

  input.setAttribute("aria-describedby", [spec.hint && `${id}-hint`, wrong.id].filter(Boolean).join(" "));
  input.addEventListener("change", () => problem());
  input.addEventListener("input", () => wrong.hidden || problem());
  if (spec.needed) input.setAttribute("aria-required", "true");
  if (kind === "choice") setChoices(spec.choices ?? [[null, "not known"]]);
  if (kind === "yesno") setChoices([[null, "not known"], [true, "yes"], [false, "no"]]);
  if (spec.offers) setOffers(spec.offers);
  write(spec.value);

  const node = el(
    "div",
    { class: `field field-${kind}`, "data-field": spec.name },
    el("label", { for: id }, spec.unit ? `${spec.label}, ${spec.unit}` : spec.label),
    input,
    offered,
    spec.hint ? el("span", { class: "field-hint small soft", id: `${id}-hint` }, spec.hint) : null,
    wrong,
  );
  return { name: spec.name, node, input, read, write, problem, setChoices, setOffers };
}

/**
 * What several fields say together; those wrong say so, and the first of them gets the focus.
 * @param {Field[]} fields
 * @returns {Record<string, any> | null} null while something is wrong
 */
export function readAll(fields) {
  const wrong = fields.filter((item) => item.problem() !== null);
  if (wrong.length > 0) {
    wrong[0].input.focus();
    return null;
  }
  return Object.fromEntries(fields.map((item) => [item.name, item.read()]));
}

/**
 * @param {FieldSpec} spec
 * @param {string} kind
 * @param {any} value
 * @returns {string | null}
 */
function problemOf(spec, kind, value) {
  if (spec.needed && (value === null || value === "")) return `${spec.label} is needed.`;
  const { label } = spec;
  if (kind === "text" || kind === "area") {
    const longest = spec.longest ?? LONGEST[kind];
    const length = [...value].length;
    return length > longest ? `${label} is ${length} characters long; at most ${longest} are kept.` : null;
  }
  if (value === null || (kind !== "number" && kind !== "count")) return null;
  if (!Number.isFinite(value)) return `${spec.label} must be a number, such as 42.5.`;
  if (kind === "count" && !Number.isInteger(value)) return `${spec.label} must be a whole number.`;
  const bound = boundOf(spec);
  const isWithin =
    value >= (spec.least ?? -Infinity) && value > (spec.above ?? -Infinity) && value <= (spec.most ?? Infinity);
  return isWithin ? null : `${label} must be ${bound}, but ${value} was given.`;
}

/** @param {string} kind @param {string} id */
function makeInput(kind, id) {
  if (kind === "choice" || kind === "yesno") {
    return /** @type {HTMLSelectElement} */ (el("select", { id }));
  }
  if (kind === "area") return /** @type {HTMLTextAreaElement} */ (el("textarea", { id, rows: "3" }));
  const input = /** @type {HTMLInputElement} */ (
    el("input", { id, type: kind === "date" ? "date" : "text", autocomplete: "off" })
  );
  if (kind === "number") input.inputMode = "decimal";
  if (kind === "count") input.inputMode = "numeric";
  return input;
}

/**
 * Keys of a field beside the picture: Enter takes what is written, Escape leaves what stood there, and
 * both go on to the frame, where the keys of the marking sheet are.
 *
 * @param {any} view  of the frame
 * @param {{take: () => boolean, leave: () => void}} field  `take` answers false for what cannot be taken
 * @returns {(event: KeyboardEvent) => void}
 */
export function onToTheFrame(view, { take, leave }) {
  return (event) => {
    if (event.key !== "Enter" && event.key !== "Escape") return;
    event.preventDefault();
    event.stopPropagation();
    if (event.key === "Escape") leave();
    else if (!take()) return;
    view.focus();
  };
}

/** What a number must be, such as "from -60 to 60 °C". @param {FieldSpec} spec */
function boundOf({ least, above, most, unit }) {
  const behind = unit ? ` ${unit}` : "";
  const low = above !== undefined ? `above ${above}` : least !== undefined ? `at least ${least}` : "";
  if (most === undefined) return `${low}${behind}`;
  if (low === "") return `at most ${most}${behind}`;
  return above !== undefined ? `${low} and at most ${most}${behind}` : `from ${least} to ${most}${behind}`;
}
