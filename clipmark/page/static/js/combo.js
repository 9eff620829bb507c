/**
 * A field that offers what is known and takes anything: typed, picked by mouse, touch or arrows.
 */

import { el, freshId, put } from "./dom.js";

/**
 * @typedef {object} Choice
 * @property {string} value
 * @property {string} [more]  said beside it, such as the driver of an entry
 */

/**
 * Make an input with a list of choices.
 *
 * @param {object} options
 * @param {Record<string, any>} [options.input]       attributes of the input
 * @param {() => Choice[]} options.choices            asked for each time the list opens
 * @param {(text: string) => void} options.onInput    at each change of the text
 * @param {() => void} options.onCommit               when a choice is made or the field is left
 * @param {string} options.listLabel                  name of the list for screen readers
 * @returns {{node: HTMLElement, input: HTMLInputElement}}
 */
export function combo({ input: attributes = {}, choices, onInput, onCommit, listLabel }) {
  const listId = freshId("choices");
  const list = el("ul", { id: listId, role: "listbox", class: "combo-list", "aria-label": listLabel, popover: "manual" });
  const input = /** @type {HTMLInputElement} */ (
    el("input", {
      type: "text",
      role: "combobox",
      autocomplete: "off",
      spellcheck: "false",
      "aria-autocomplete": "list",
      "aria-expanded": "false",
      "aria-controls": listId,
      ...attributes,
    })
  );
  const node = el("span", { class: "combo" }, input, list);
  let shown = [];
  let active = -1;
  let wasTyped = false;

  const isOpen = () => input.getAttribute("aria-expanded") === "true";

  function draw() {
    const text = wasTyped ? input.value.trim().toLowerCase() : "";
    shown = choices().filter((choice) => choice.value.toLowerCase().includes(text));
    active = shown.findIndex((choice) => choice.value === input.value);
    put(
      list,
      shown.map((choice, index) =>
        el(
          "li",
          {
            id: `${listId}-${index}`,
            role: "option",
            class: "combo-choice",
            "aria-selected": String(index === active),
            on: { click: () => choose(index) }, // at pointerup the click of a finger would land under the list
          },
          el("span", {}, choice.value),
          choice.more ? el("span", { class: "soft small" }, choice.more) : null,
        ),
      ),
    );
  }

  function open() {
    draw();
    if (!shown.length) {
      close();
      return;
    }
    if (!isOpen()) {
      list.showPopover();
      input.setAttribute("aria-expanded", "true");
      document.addEventListener("pointerdown", onPress, true);
    }
    place();
    mark(active);
  }

  function close() {
    if (isOpen()) {
      list.hidePopover();
      input.setAttribute("aria-expanded", "false");
      input.removeAttribute("aria-activedescendant");
      document.removeEventListener("pointerdown", onPress, true);
    }
  }

  function onPress(event) {
    if (!node.contains(event.target)) {
      close();
    }
  }

  function place() {
    const at = input.getBoundingClientRect();
    list.style.left = `${Math.max(4, Math.min(at.left, window.innerWidth - list.offsetWidth - 4))}px`;
    list.style.minWidth = `${at.width}px`;
    const under = window.innerHeight - at.bottom - 8;
    const over = at.top - 8;
    const below = under >= Math.min(list.scrollHeight, 160) || under >= over;
    list.style.maxHeight = `${Math.min(320, below ? under : over)}px`;
    list.style.top = `${below ? at.bottom + 2 : at.top - 2 - list.offsetHeight}px`;
  }

  /** Put the keyboard's place on a choice. */
  function mark(index) {
    active = index;
    [...list.children].forEach((item, at) => item.setAttribute("aria-selected", String(at === index)));
    if (index >= 0) {
      input.setAttribute("aria-activedescendant", `${listId}-${index}`);
      list.children[index].scrollIntoView({ block: "nearest" });
    } else {
      input.removeAttribute("aria-activedescendant");
    }
  }

  function choose(index) {
    input.value = shown[index].value;
    wasTyped = false;
    close();
    onInput(input.value);
    onCommit();
    input.focus();
  }

  function onKey(event) {
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      event.preventDefault();
      if (!isOpen()) {
        wasTyped = false;
        open();
        return;
      }
      const step = event.key === "ArrowDown" ? 1 : -1;
      mark((active + step + shown.length) % shown.length);
    } else if (event.key === "Enter" && isOpen() && active >= 0 && !event.ctrlKey) {
      event.preventDefault();
      choose(active);
    } else if (event.key === "Enter" && !event.ctrlKey) {
      close();
      onCommit();
    } else if (event.key === "Escape" || event.key === "Tab") {
      close(); // both leave the field as well
    }
  }

  input.addEventListener("keydown", onKey);
  input.addEventListener("click", () => {
    wasTyped = false;
    open();
  });
  input.addEventListener("input", () => {
    wasTyped = true;
    onInput(input.value);
    open();
  });
  input.addEventListener("blur", () => {
    close();
    onCommit();
  });
  // The list must not take the focus: leaving the field would close it before the choice is made.
  list.addEventListener("pointerdown", (event) => event.preventDefault());
  window.addEventListener("resize", close);
  window.addEventListener("scroll", () => isOpen() && place(), { passive: true }); // the list goes along
  return { node, input };
}
