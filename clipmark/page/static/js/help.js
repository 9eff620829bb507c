/**
 * The help: every action with its keys, which can be given anew, and how touch and mouse do it.
 */

import { button, el, put } from "./dom.js";
import { keyOf, keyText } from "./keys.js";

const LONE = new Set(["Shift", "Control", "Alt", "Meta", "CapsLock", "Tab", "Dead", "AltGraph"]);

const BY_HAND = [
  ["Step", "Press back and next, or drag along the strip."],
  ["Pick a mark", "Press its name in the list of marks."],
  ["Place a point", "Press where it should be; with a finger, press and hold, move, and lift."],
  ["Move a point", "Drag it, or take it in hand and nudge it in the pixel window by 0.1 px."],
  ["Closer and wider", "Turn the wheel, or spread two fingers."],
  ["Move the picture", "Drag where there is no mark, or with two fingers, or with the middle button."],
  ["What is missing", "Press its name in the row under the slip: it leads there."],
  ["A number's budget", "Point at the number, or press it."],
];

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  ctx.panels.add({
    name: "keys",
    title: "Keys, touch and mouse",
    size: "wide",
    build: (panel) => build(panel, ctx),
  });
  ctx.actions.add({
    name: "open-keys",
    label: "This list of keys",
    group: "Panels",
    key: "?",
    run: () => ctx.panels.open("keys"),
  });
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx */
function build(panel, ctx) {
  const { actions, keys } = ctx;
  const said = el("div", { class: "key-said", role: "status" });
  const place = el("div", { class: "key-groups" });
  /** @type {any} the action that waits for its new key */
  let waiting = null;

  function draw(focusOn = null) {
    ctx.store.tell("ui"); // keys are read on the page as well
    const groups = new Map();
    for (const action of actions.list()) {
      if (!groups.has(action.group)) groups.set(action.group, []);
      groups.get(action.group).push(action);
    }
    put(
      place,
      [...groups].map(([title, list]) =>
        el(
          "section",
          { class: "key-group" },
          el("h3", {}, title),
          el("ul", { role: "list" }, list.map((action) => row(action))),
        ),
      ),
    );
    if (focusOn) {
      /** @type {HTMLElement | null} */ (place.querySelector(`[data-action="${focusOn}"] button`))?.focus();
    }
  }

  function row(action) {
    const own = keys.of(action.name);
    const isChanged = action.name in keys.changed;
    const shown = own.length > 0 ? own.flatMap((key, at) => [at > 0 && " or ", el("kbd", {}, keyText(key))]) : ["no key"];
    return el(
      "li",
      { class: "key-row", data: { action: action.name } },
      el("span", { class: "key-label" }, action.label),
      waiting === action
        ? el("strong", { class: "key-wait" }, "press the new key")
        : el("span", { class: "key-shown" }, shown),
      button(waiting === action ? "Leave it" : "Change", () => {
        waiting = waiting === action ? null : action;
        put(said, waiting ? `Press the new key of "${action.label}", or Escape to leave it as it is.` : "");
        draw(action.name);
      }, { "aria-label": `${waiting === action ? "Leave it" : "Change"}: key of ${action.label}`, class: "plain" }),
      isChanged &&
        button("As first", () => {
          asFirst(action);
        }, { class: "plain", "aria-label": `As first: key of ${action.label}` }),
    );
  }

  /** An action that took this one's first key gives it back, and has its own first key again. */
  function asFirst(action) {
    keys.remap(action.name, null);
    const takers = keys.of(action.name).flatMap((key) => keys.holders(key, action.name));
    const back = takers.filter((other) => other.name in keys.changed);
    for (const other of back) keys.remap(other.name, null);
    const named = [action, ...back].map((item) => `"${item.label}"`).join(" and ");
    put(said, `${named}: first key again.`);
    draw(action.name);
  }

  /** @param {KeyboardEvent} event */
  function onKey(event) {
    if (!waiting || LONE.has(event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    const action = waiting;
    waiting = null;
    if (event.key === "Escape") {
      put(said, "Nothing was changed.");
      draw(action.name);
      return;
    }
    give(action, keyOf(event));
  }

  function give(action, key) {
    // Two actions may share a key only where one of them is meant at certain times alone.
    const holders = keys.holders(key, action.name);
    const clash = holders.find((other) => !(other.when && !action.when) && !(action.when && !other.when));
    if (!clash) {
      keys.remap(action.name, key);
      put(said, `${keyText(key)} now means "${action.label}".`);
      draw(action.name);
      return;
    }
    const old = keys.of(action.name)[0];
    draw(action.name);
    put(
      said,
      el("span", {}, `${keyText(key)} already means "${clash.label}". `),
      old
        ? button(`Swap them: that one gets ${keyText(old)}`, () => {
            keys.remap(clash.name, old);
            keys.remap(action.name, key);
            put(said, `${keyText(key)} now means "${action.label}", and ${keyText(old)} "${clash.label}".`);
            draw(action.name);
          })
        : el("span", {}, "Give that one another key first."),
      button("Leave it", () => {
        put(said, "Nothing was changed.");
        draw(action.name);
      }),
    );
    /** @type {HTMLElement | null} */ (said.querySelector("button"))?.focus();
  }

  // Before the dialog's own listeners, so that Escape then only ends the waiting.
  panel.dialog.addEventListener("keydown", onKey, { capture: true });
  put(
    panel.body,
    el("p", { class: "soft" }, "Keys come from the words: n for next, b for back, f for from here, t for to here. Digits pick a mark; while calls are armed they are the judge's calls."),
    said,
    place,
    el(
      "section",
      { class: "by-hand" },
      el("h3", {}, "By touch and mouse"),
      el("dl", {}, BY_HAND.map(([what, how]) => el("div", {}, el("dt", {}, what), el("dd", {}, how)))),
    ),
    el(
      "div",
      { class: "panel-foot" },
      button("All keys as at first", () => {
        keys.reset();
        put(said, "All keys are as at first.");
        draw();
      }),
    ),
  );
  draw();
}
