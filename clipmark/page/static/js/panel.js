/**
 * Panels: the dialogs of the page. One at a time, each with a title, closed by its button or
 * Escape, and the focus goes back to where it came from.
 */

import { button, el } from "./dom.js";

/**
 * @typedef {object} Panel
 * @property {HTMLDialogElement} dialog
 * @property {HTMLElement} body where its content goes
 * @property {() => void} close
 * @property {(title: string) => void} setTitle
 * @property {(run: () => void) => void} onClose what to do once it is closed
 */

/**
 * @typedef {object} PanelKind
 * @property {string} name short, for `data-panel` and for opening it by name
 * @property {string} title
 * @property {"narrow" | "wide" | "full"} [size]
 * @property {(panel: Panel, options: any) => void} build fills `panel.body`
 * @property {boolean} [comesFirst] another panel opened meanwhile waits until this one is closed
 * @property {() => (string | null)} [holdBack] a sentence when closing now would lose something
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
  /** @type {(() => void) | null} what waits for a panel that comes first */
  let waiting = null;

  /** @param {PanelKind} kind @param {any} [options] @returns {Panel} */
  function show(kind, options = {}) {
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
      const next = waiting;
      waiting = null;
      next?.();
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
    const target = cameFrom?.isConnected ? cameFrom : document.querySelector("#stage");
    /** @type {HTMLElement | null} */ (target)?.focus?.({ preventScroll: true });
    cameFrom = null;
  }

  return {
    /** @param {PanelKind} kind */
    add: (kind) => kinds.set(kind.name, kind),
    /** @param {string} name @param {any} [options] */
    open: (name, options) => {
      const kind = kinds.get(name);
      if (!kind) return null;
      if (current?.kind.comesFirst) {
        waiting = () => show(kind, options);
        return null;
      }
      return show(kind, options);
    },
    show,
    close: () => current?.panel.close(),
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
  const dialog = /** @type {HTMLDialogElement} */ (
    el(
      "dialog",
      { class: `panel panel-${kind.size ?? "wide"}`, "aria-labelledby": titleId, "data-panel": kind.name },
      el(
        "header",
        { class: "panel-head" },
        title,
        button("Close", () => close(), { class: "panel-close" }),
      ),
      body,
    )
  );
  let asked = false;

  /** Close unless that would lose something; the second time it closes all the same. */
  function close() {
    const sentence = asked ? null : (kind.holdBack?.() ?? null);
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

  dialog.addEventListener("cancel", (event) => {
    event.preventDefault(); // also of file pickers inside, which bubble here
    if (event.target === dialog) close();
  });
  dialog.addEventListener("close", () => shut());
  // Keys pressed in a dialog are not keys of the marking sheet under it.
  dialog.addEventListener("keydown", (event) => event.stopPropagation());
  return {
    dialog,
    body,
    close,
    shut,
    setTitle: (text) => {
      title.textContent = text;
    },
    onClose: (run) => after.push(run),
  };
}

/** @param {Panel} panel */
function firstFocus(panel) {
  const wanted =
    panel.body.querySelector("[autofocus]") ?? panel.dialog.querySelector("h2[tabindex]");
  /** @type {HTMLElement | null} */ (wanted)?.focus();
}
