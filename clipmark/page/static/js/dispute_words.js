/**
 * A dispute in a few words: the claim, whether it was ruled on, and how.
 */

import { el } from "./dom.js";

export const OUTCOMES = {
  stands: "the claim stands",
  falls: "the claim falls",
  "cannot decide": "the footage cannot decide",
};

/** Signs that are told apart without colour. */
const SIGNS = { stands: "=", falls: "\u2260", "cannot decide": "?" };

/**
 * What a row or the slip says of a disputed attempt; null of one that nobody disputes.
 *
 * @param {{claim?: string | null, protested_by?: string | null, ruling?: {outcome: string, probability: number | null, by: string} | null}} item
 */
export function disputeWords({ claim, protested_by: by, ruling }) {
  if (!claim) return null;
  const who = by ? ` by ${by}` : "";
  if (!ruling) return { short: "disputed", whole: `Disputed${who}: ${claim}. Not ruled on yet.` };
  const chance = ruling.probability === null ? "" : ` (probability that it is true: ${percent(ruling.probability)})`;
  const judge = ruling.by ? `, ruled by ${ruling.by}` : "";
  return {
    short: OUTCOMES[ruling.outcome],
    whole: `Disputed${who}: ${claim}. Ruling: ${OUTCOMES[ruling.outcome]}${chance}${judge}. The judge's verdict stays.`,
  };
}

/** The same as a mark beside the verdict. @param {any} item */
export function disputeStamp(item) {
  const words = disputeWords(item);
  if (!words) return null;
  const sign = item.ruling ? SIGNS[item.ruling.outcome] : "!";
  return el(
    "span",
    { class: "stamp disputed", title: words.whole },
    el("span", { "aria-hidden": "true" }, `${sign} `),
    words.short,
  );
}

/** Never 0 % or 100 % of what is only nearly so. @param {number} p */
export function percent(p) {
  if (p <= 0.001) return "at most 0.1 %";
  if (p >= 0.999) return "at least 99.9 %";
  return `${(100 * p).toFixed(1)} %`;
}
