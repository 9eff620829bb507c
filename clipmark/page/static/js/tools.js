/**
 * The row at the very top: which event, ways to its panels, back and forth, and who else saved.
 */

import { button, el, put } from "./dom.js";
import * as steps from "./steps.js";
import { chosenTheme, nextTheme, THEME_NAMES } from "./theme.js";
import { savedByOthers, when } from "./work_list.js";

const PANELS = [
  ["attempts", "Attempts"],
  ["clips", "Clips"],
  ["session", "Session"],
  ["stands", "Stands"],
  ["keys", "Keys"],
];
const OTHERS_SHOWN = 3;

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  const { store, panels, actions } = ctx;
  const name = el("h1", { class: "event-name" });
  const others = el("p", { class: "others small", role: "status" });
  const undo = button("Undo", () => actions.run("undo"));
  const redo = button("Redo", () => actions.run("redo"));
  const backAndForth = el("div", { class: "row", role: "group", "aria-label": "Undo and redo" }, undo, redo);
  const theme = button("", () => showTheme(nextTheme()), { class: "plain" });
  const practice = el("a", { class: "button plain", href: "practice/?guide", hidden: true }, "Practise");

  /** @param {import("./theme.js").Theme} shown */
  function showTheme(shown) {
    put(theme, `Theme: ${THEME_NAMES[shown]}`);
  }

  function showEvent() {
    const { event } = store;
    if (!event) return;
    name.textContent = event.name;
    practice.hidden = event.practice;
    root.dataset.practice = event.practice ? "yes" : "no";
    const news = othersNews(store);
    if (news) put(others, news);
  }

  function showUndo() {
    undo.disabled = !store.canUndo;
    redo.disabled = !store.canRedo;
  }

  put(
    root,
    name,
    others,
    backAndForth,
    el(
      "nav",
      { class: "row", "aria-label": "Panels" },
      PANELS.map(([panel, label]) =>
        button(label, () => panels.open(panel), { "aria-haspopup": "dialog", data: { opens: panel } }),
      ),
      theme,
      practice,
    ),
  );
  steps.mount(backAndForth, ctx);
  showTheme(chosenTheme());
  store.subscribe(showEvent, ["event"]);
  store.subscribe(showUndo, ["draft", "loaded", "saved"]);
  showEvent();
  showUndo();
}

/** "T. Brandreth saved climb-004 at 14:03"; null when nobody else did. */
function othersNews(store) {
  const lines = savedByOthers(store);
  if (lines.length === 0) return null;
  const newest = [...lines].reverse().slice(0, OTHERS_SHOWN);
  const told = newest.map((line) => `${line.by || "somebody"} saved ${line.id} at ${when(line.at)}`);
  const more = lines.length - newest.length;
  return el("span", { title: told.join("; ") }, told[0], told.length + more > 1 && ` and ${told.length + more - 1} more`);
}
