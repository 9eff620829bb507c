// What this browser remembers between visits: a name, keys given anew, a theme. Its settings may
// refuse storage; then the page works all the same, and forgets when it is left.

/** @typedef {() => Storage} Place asked for anew each time: even reaching for it may be refused */

/** Across visits, for all tabs. @type {Place} */
const browserStorage = () => localStorage;

/** Across reloads of this tab alone. @type {Place} */
export const tabStorage = () => sessionStorage;

/**
 * @param {string} name
 * @param {Place} [place]
 * @returns {string|null} null where nothing is remembered
 */
export function recall(name, place = browserStorage) {
  try {
    return place().getItem(name);
  } catch {
    return null;
  }
}

/**
 * @param {string} name @param {string} text
 * @param {Place} [place]
 */
export function remember(name, text, place = browserStorage) {
  try {
    place().setItem(name, text);
  } catch {
    // Not remembered then: it holds until the page is left.
  }
}
