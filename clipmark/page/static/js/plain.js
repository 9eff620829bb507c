// Small questions to plain values, asked all over the page. Pure.

/** @param {number} value @param {number} least @param {number} most */
export function clamp(value, least, most) {
  return Math.max(least, Math.min(most, value));
}

/** Whether something is given: an empty text or list says no more than nothing. @param {any} value */
export function isGiven(value) {
  if (value === null || value === undefined || value === "") return false;
  return !Array.isArray(value) || value.length > 0;
}

/**
 * A number as people write it, with a point or a comma.
 * @param {string} text
 * @returns {number} NaN where it is none
 */
export function numberOf(text) {
  const plain = text.trim().replace("\u2212", "-").replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i.test(plain) ? Number(plain) : NaN;
}

/** What a person reads on the page: without the command line's options in brackets. @param {string} text */
export function withoutOptions(text) {
  return text.replaceAll(/ \(--[^)]*\)/g, "");
}

/** A text with a capital and a full stop; refusals begin small where a name stands before them. @param {any} text */
export function asSentence(text) {
  const words = String(text);
  const [first] = words.split(" ", 1);
  const begun = /^[a-z]+$/.test(first) ? words[0].toUpperCase() + words.slice(1) : words;
  return /[.!?]$/.test(begun) ? begun : `${begun}.`;
}
