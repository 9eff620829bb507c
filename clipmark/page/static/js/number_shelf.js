/**
 * A row of numbers on one line: those that find no place there are counted, and a press shows them.
 */

import { button, el, freshId } from "./dom.js";

const SAME_PX = 2;

/**
 * @param {HTMLElement[]} numbers  those hidden are of no reading, and not counted
 * @param {string} label           of the row, for screen readers
 * @returns {{node: HTMLElement, update: () => void}} call `update` when what is shown changed
 */
export function numberShelf(numbers, label) {
  const id = freshId("shelf");
  const row = el("div", { id, class: "shelf-row", role: "group", "aria-label": label }, numbers);
  const more = button("", () => open(!isOpen), { class: "shelf-more", hidden: true, "aria-expanded": "false", "aria-controls": id });
  const place = el("div", { class: "shelf-place" }, row);
  const node = el("div", { class: "shelf" }, place, more);
  let isOpen = false;

  function open(wanted) {
    isOpen = wanted;
    node.dataset.open = isOpen ? "yes" : "no";
    more.setAttribute("aria-expanded", String(isOpen));
    row.scrollTop = 0;
    if (isOpen) more.textContent = "fewer";
    else update();
  }

  /** Numbers that find no place on the line: those below it, and all when the first is too wide for it. */
  function unseen() {
    const shown = numbers.filter((number) => !number.hidden);
    const isTooWide = shown.length > 0 && shown[0].offsetLeft + shown[0].offsetWidth > place.clientWidth + SAME_PX;
    return isTooWide ? shown : shown.filter((number) => number.offsetTop > shown[0].offsetTop + SAME_PX);
  }

  function update() {
    if (isOpen) {
      return; // what is open is laid out otherwise
    }
    const count = unseen().length;
    const hasRoom = count < numbers.filter((number) => !number.hidden).length;
    node.dataset.room = count === 0 || hasRoom ? "yes" : "no";
    more.hidden = count === 0;
    more.textContent = hasRoom ? `${count} more` : `${count} numbers`;
  }

  // Reached by keyboard it has to be seen: before its own card opens, which stands beside it.
  const showReached = (event) => {
    const reached = numbers.find((number) => number.contains(/** @type {Node} */ (event.target)));
    if (!isOpen && reached && unseen().includes(reached)) {
      open(true);
    }
  };
  row.addEventListener("focus", showReached, true);
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
