// From a key to an action. Keys can be given anew; what differs from the first set is kept here.

import { recall, remember } from "./remembered.js";

const KEPT = "clipmark.keys";
const SHOWN = {
  ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓", " ": "Space",
};

/**
 * How a key press is written: modifiers, then the key; letters small, digits by their place so
 * that Shift+1 is the same on every layout.
 * @param {KeyboardEvent} event
 */
export function keyOf(event) {
  const digit = /^(?:Digit|Numpad)([0-9])$/.exec(event.code);
  let key = digit ? digit[1] : event.key;
  const symbol = key.length === 1 && !/[a-z0-9]/i.test(key);
  if (key.length === 1) key = key.toLowerCase();
  const parts = [];
  if (event.ctrlKey || event.metaKey) parts.push("Ctrl");
  if (event.altKey) parts.push("Alt");
  if (event.shiftKey && !symbol) parts.push("Shift");
  return [...parts, key].join("+");
}

/** A key as people read it. */
export function keyText(key) {
  return key
    .split("+")
    .map((part) => SHOWN[part] ?? (part.length === 1 ? part.toUpperCase() : part))
    .join(" ");
}

/** The keys as they are now, and what a press of one does. */
export class Keys {
  /** @param {import("./actions.js").Actions} actions */
  constructor(actions) {
    this.actions = actions;
    this.changed = kept();
    document.addEventListener("keydown", (event) => this.dispatch(event));
  }

  /** Keys of an action as they are now. */
  of(name) {
    return this.changed[name] ?? this.actions.byName.get(name)?.keys ?? [];
  }

  /** Other actions that have a key, for a warning before it is given away. */
  holders(key, except) {
    return this.actions
      .list()
      .filter((action) => action.name !== except && this.of(action.name).includes(key));
  }

  /** Give an action another key; null gives back the first ones. */
  remap(name, key) {
    if (key === null) delete this.changed[name];
    else this.changed[name] = [key];
    keep(this.changed);
  }

  reset() {
    this.changed = {};
    keep(this.changed);
  }

  /** @param {KeyboardEvent} event */
  dispatch(event) {
    if (event.defaultPrevented || event.isComposing || document.querySelector("dialog[open]")) return;
    const key = keyOf(event);
    if (typing(event.target) && !key.startsWith("Ctrl+Enter")) return;
    if (pressing(event.target) && (key === "Enter" || key === " ")) return;
    const having = this.actions.list().filter((action) => this.of(action.name).includes(key));
    // an action that says when it is meant goes before one that always is
    const ready =
      having.find((action) => action.when?.()) ?? having.find((action) => !action.when);
    if (!ready) return;
    event.preventDefault();
    if (event.repeat && !ready.repeats) return; // a key held down is one call, not twenty
    ready.run();
  }
}

function typing(target) {
  if (!(target instanceof HTMLElement)) return false;
  if (target.isContentEditable || target instanceof HTMLTextAreaElement) return true;
  if (target instanceof HTMLSelectElement) return true;
  return target instanceof HTMLInputElement && !["checkbox", "radio", "button"].includes(target.type);
}

function pressing(target) {
  return (
    target instanceof Element &&
    target.closest("button, a[href], summary, [role=button], [role=menuitem]") !== null
  );
}

function kept() {
  try {
    const found = JSON.parse(recall(KEPT) ?? "{}");
    return found && typeof found === "object" ? found : {};
  } catch {
    return {}; // not written by this page
  }
}

function keep(changed) {
  remember(KEPT, JSON.stringify(changed));
}
