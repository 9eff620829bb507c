/**
 * The names of the judge's calls in the lane over the strip's paper. Names that would stand on one
 * another become one, "3 calls", which tells them all when it is pointed at or reached by keyboard.
 */

import { el, put } from "./dom.js";
import { attachCard } from "./number_view.js";
import { seconds, spoken } from "./numbers.js";

const NAME_PX = 11; // from a pennant to its name
const LETTER_PX = 7.4; // about, of a strong note
const ASIDE_PX = 3; // from a name that stands before its pennant
const APART_PX = 5;

/** @typedef {{call: string, t_s: number, x: number}} PlacedCall */
/** @typedef {{calls: PlacedCall[], text: string, at: number, left: number, right: number}} Named with where the text begins, and all that it takes up */

/**
 * Calls under names that stand clear of one another.
 *
 * @param {PlacedCall[]} placed  rising in x
 * @param {number} end           where the lane ends, px
 * @returns {Named[]}
 */
export function namedApart(placed, end) {
  /** @type {Named[]} */
  const names = [];
  for (const call of placed) {
    let name = nameOf([call], end);
    while (names.length && name.left < names.at(-1).right + APART_PX) {
      name = nameOf([...names.pop().calls, ...name.calls], end);
    }
    names.push(name);
  }
  return names;
}

function nameOf(calls, end) {
  const [{ x, call }] = calls;
  const isSame = calls.every((other) => other.call === call);
  const text = calls.length === 1 ? spoken(call) : isSame ? `${calls.length} \u00d7 ${spoken(call)}` : `${calls.length} calls`;
  const width = text.length * LETTER_PX;
  const after = x + NAME_PX; // the first has the pennant; of the others there is a line each
  return after + width <= end
    ? { calls, text, at: after, left: x, right: Math.max(after + width, calls.at(-1).x) }
    : { calls, text, at: x - ASIDE_PX - width, left: x - ASIDE_PX - width, right: Math.max(x + NAME_PX, calls.at(-1).x) };
}

/**
 * The lane. A name of several calls is a button; that of one says all there is to say.
 *
 * @returns {{node: HTMLElement, draw: (names: Named[]) => void}}
 */
export function callLane() {
  const node = el("div", { class: "strip-calls" });
  let shown = "";
  return {
    node,
    draw(names) {
      const now = JSON.stringify(names);
      if (now !== shown) { // a card that is open stays
        shown = now;
        put(node, names.map(nodeOf));
      }
    },
  };
}

function nodeOf({ calls, text, at }) {
  const node = calls.length > 1 ? groupNode(calls, text) : el("span", { class: "strip-call-name", "aria-hidden": "true" }, text);
  node.style.left = `${at}px`;
  return node;
}

function groupNode(calls, text) {
  const label = `${text}: ${calls.map((one) => `${spoken(one.call)} at ${seconds(one.t_s)}`).join(", ")}`;
  const node = el("button", { type: "button", class: "strip-call-name", "aria-label": label, "aria-expanded": "false" }, text);
  const line = ({ call, t_s }) => [el("dt", {}, seconds(t_s)), el("dd", {}, spoken(call))];
  attachCard(node, () => [el("p", { class: "number-card-title" }, text), el("dl", { class: "strip-call-list figures" }, calls.flatMap(line))]);
  return node;
}
