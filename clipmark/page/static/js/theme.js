/**
 * Light, dark, or as the system has it. The choice stays in this browser.
 */

import { recall, remember } from "./remembered.js";

const PLACE = "clipmark.theme";

/** @typedef {"system" | "light" | "dark"} Theme */

/** @type {Theme[]} In the order in which the button goes round. */
const THEMES = ["system", "light", "dark"];

/** @type {Record<Theme, string>} */
export const THEME_NAMES = { system: "system", light: "light", dark: "dark" };

/**
 * The theme chosen in this browser.
 * @returns {Theme}
 */
export function chosenTheme() {
  const kept = recall(PLACE);
  return THEMES.find((theme) => theme === kept) ?? "system";
}

/**
 * Show a theme and keep the choice.
 * @param {Theme} theme
 */
function setTheme(theme) {
  show(theme);
  remember(PLACE, theme);
}

/**
 * Go to the next theme.
 * @returns {Theme} the one shown now
 */
export function nextTheme() {
  const now = /** @type {Theme} */ (document.documentElement.dataset.theme ?? "system");
  const next = THEMES[(THEMES.indexOf(now) + 1) % THEMES.length];
  setTheme(next);
  return next;
}

/** Show the theme kept in this browser; called once, before anything is drawn. */
export function startTheme() {
  show(chosenTheme());
}

/** @param {Theme} theme */
function show(theme) {
  if (theme === "system") delete document.documentElement.dataset.theme;
  else document.documentElement.dataset.theme = theme;
}
