/**
 * Panels: the dialogs of the page. One at a time, each with a title, closed by its button or
 * Escape, and the focus goes back to where it came from. A question may lie over a panel.
 */

import { button, el, freshId } from "./dom.js";

/**
 * @typedef {object} Panel
 * @property {HTMLDialogElement} dialog
 * @property {HTMLElement} body where its content goes
 * @property {() => void} close
 * @property {(title: string) => void} setTitle
 * @property {(run: () => void) => void} onClose what to do once it is closed
 * @property {(why: () => (string | null)) => void} holdBack says, in a sentence, what closing now would lose
 */

/**
 * @typedef {object} PanelKind
 * @property {string} name short, for `data-panel` and for opening it by name
 * @property {string} title
 * @property {"narrow" | "wide" | "full"} [size]
 * @property {(panel: Panel, options: any) => void} build fills `panel.body`
 * @property {boolean} [comesFirst] what the page would offer meanwhile is left: closing this one is
 *   not to open another
 */

/**
 * @param {HTMLElement} root the region `#panels`
 * @param {{moveInto: (dialog: HTMLElement | null) => void,
 *   say: (sentence: string, kind?: "info" | "refusal" | "success") => void}} notices
 */
export function createPanels(root, notices) {
  /** @type {Map<string, PanelKind>} */
  const kinds = new Map();
  /** @type {{kind: PanelKind, panel: Panel, shut: () => void} | null} */
  let current = null;
  /** @type {Element | null} */
  let cameFrom = null;
  let replacing = false;
  let anyShown = false;

  /** @param {PanelKind} kind @param {any} [options] @returns {Panel} */
  function show(kind, options = {}) {
    anyShown = true;
    if (current) {
      replacing = true;
      current.shut();
      replacing = false;
    } else {
      cameFrom = document.activeElement;
    }
    const made = makePanel(kind, () => {
      if (current?.panel === made) current = null;
      notices.moveInto(null);
      giveFocusBack();
    });
    current = { kind, panel: made, shut: made.shut };
    root.append(made.dialog);
    kind.build(made, options);
    made.dialog.showModal();
    notices.moveInto(made.dialog);
    firstFocus(made);
    return made;
  }

  function giveFocusBack() {
    if (replacing) return; // another panel takes its place
    focusOn(cameFrom);
    cameFrom = null;
  }

  /**
   * Ask a question with a few answers, over whatever is open.
   * @template T
   * @param {string} title
   * @param {string} what
   * @param {{label: string, value: T, main?: boolean}[]} answers the last one is meant by Escape
   * @returns {Promise<T>}
   */
  function ask(title, what, answers) {
    return new Promise((resolve) => {
      const titleId = freshId("question");
      const before = document.activeElement;
      const choose = (value) => {
        dialog.close();
        dialog.remove();
        notices.moveInto(current?.panel.dialog ?? null);
        focusOn(before);
        resolve(value);
      };
      const dialog = bareDialog({ class: "panel panel-narrow question", "aria-labelledby": titleId },
        () => choose(answers[answers.length - 1].value),
        el("h2", { id: titleId }, title),
        el("p", {}, what),
        el(
          "div",
          { class: "question-answers" },
          answers.map(({ label, value, main }) =>
            button(label, () => choose(value), { class: main ? "main" : null, autofocus: main }),
          ),
        ),
      );
      root.append(dialog);
      dialog.showModal();
      notices.moveInto(dialog);
    });
  }

  return {
    ask,
    /** @param {PanelKind} kind */
    add: (kind) => kinds.set(kind.name, kind),
    /** @param {string} name @param {any} [options] */
    open: (name, options) => {
      const kind = kinds.get(name);
      return kind && !current?.kind.comesFirst ? show(kind, options) : null;
    },
    show,
    close: () => current?.panel.close(),
    /** Whether any panel was open since the page came up. */
    get anyShown() {
      return anyShown;
    },
    /** Name of the panel that is open, or null. */
    get openName() {
      return current?.kind.name ?? null;
    },
  };
}

/**
 * @param {PanelKind} kind
 * @param {() => void} closed
 * @returns {Panel & {shut: () => void}}
 */
function makePanel(kind, closed) {
  const titleId = `panel-${kind.name}-title`;
  const title = el("h2", { id: titleId, tabindex: "-1" }, kind.title);
  const body = el("div", { class: "panel-body" });
  /** @type {(() => void)[]} */
  const after = [];
  const dialog = bareDialog(
    { class: `panel panel-${kind.size ?? "wide"}`, "aria-labelledby": titleId, "data-panel": kind.name },
    () => close(),
    el("header", { class: "panel-head" }, title, button("Close", () => close())),
    body,
  );
  /** @type {() => (string | null)} */
  let whyNot = () => null;
  let asked = false;

  /** Close unless that would lose something; the second time it closes all the same. */
  function close() {
    const sentence = asked ? null : whyNot();
    if (sentence === null) return shut();
    asked = true;
    const line = el("p", { class: "panel-hold", role: "alert" }, `${sentence} Close again to leave it.`);
    dialog.querySelector(".panel-hold")?.remove();
    dialog.querySelector(".panel-head")?.after(line);
  }

  let isShut = false;

  function shut() {
    if (isShut) return;
    isShut = true;
    for (const run of after) run();
    dialog.close();
    closed();
    dialog.remove();
  }

  dialog.addEventListener("close", () => shut());
  return {
    dialog,
    body,
    close,
    shut,
    setTitle: (text) => {
      title.textContent = text;
    },
    onClose: (run) => after.push(run),
    holdBack: (why) => {
      whyNot = why;
    },
  };
}

/**
 * @param {Record<string, any>} props
 * @param {() => void} onEscape
 * @param {...Node} children
 * @returns {HTMLDialogElement}
 */
function bareDialog(props, onEscape, ...children) {
  const dialog = /** @type {HTMLDialogElement} */ (el("dialog", props, ...children));
  dialog.addEventListener("cancel", (event) => {
    event.preventDefault(); // also of file pickers inside, which bubble here
    if (event.target === dialog) onEscape();
  });
  // Keys pressed in a dialog are not keys of the marking sheet under it.
  dialog.addEventListener("keydown", (event) => event.stopPropagation());
  return dialog;
}

/** Where the focus came from, or the frame when that is gone. @param {Element | null} target */
function focusOn(target) {
  const there = target?.isConnected && target !== document.body ? target : document.querySelector("#stage");
  /** @type {HTMLElement | null} */ (there)?.focus?.({ preventScroll: true });
}

/** @param {Panel} panel */
function firstFocus(panel) {
  const wanted =
    panel.body.querySelector("[autofocus]") ?? panel.dialog.querySelector("h2[tabindex]");
  /** @type {HTMLElement | null} */ (wanted)?.focus();
}
