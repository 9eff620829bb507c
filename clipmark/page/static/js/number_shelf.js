/**
 * A row of numbers on one line: those that find no place there are counted, and a press shows them.
 */

import { button, el, freshId } from "./dom.js";

const SAME_LINE_PX = 2;

/**
 * @param {HTMLElement[]} numbers  those hidden are of no reading, and not counted
 * @param {string} label           of the row, for screen readers
 * @returns {{node: HTMLElement, update: () => void}} call `update` when what is shown changed
 */
export function numberShelf(numbers, label) {
  const id = freshId("shelf");
  const row = el("div", { id, class: "shelf-row", role: "group", "aria-label": label }, numbers);
  const more = button("", () => open(!isOpen), { class: "shelf-more", hidden: true, "aria-expanded": "false", "aria-controls": id });
  const node = el("div", { class: "shelf" }, el("div", { class: "shelf-place" }, row), more);
  let isOpen = false;

  function open(wanted) {
    isOpen = wanted;
    node.dataset.open = isOpen ? "yes" : "no";
    more.setAttribute("aria-expanded", String(isOpen));
    row.scrollTop = 0;
    update();
  }

  /** Numbers that stand below the first line. */
  function below() {
    const shown = numbers.filter((number) => !number.hidden);
    return shown.filter((number) => number.offsetTop > shown[0].offsetTop + SAME_LINE_PX);
  }

  function update() {
    const count = below().length;
    if (isOpen && count === 0) {
      open(false);
      return;
    }
    more.hidden = count === 0;
    more.textContent = isOpen ? "fewer" : `${count} more`;
  }

  row.addEventListener("focusin", (event) => {
    const reached = numbers.find((number) => number.contains(/** @type {Node} */ (event.target)));
    if (!isOpen && reached && below().includes(reached)) {
      open(true); // reached by keyboard: it has to be seen
    }
  });
  node.addEventListener("focusout", (event) => {
    if (isOpen && !node.contains(/** @type {Node|null} */ (event.relatedTarget))) {
      open(false);
    }
  });
  node.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && isOpen && !event.defaultPrevented) {
      event.stopPropagation();
      more.focus();
      open(false);
    }
  });
  new ResizeObserver(update).observe(node);
  return { node, update };
}
