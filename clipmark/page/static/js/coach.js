/**
 * The card of the guide: it stands beside the part of the page it speaks of, with a ring around
 * that part, and never in the way of what is to be done there.
 */

import { el } from "./dom.js";
import { clamp } from "./plain.js";

const GAP_PX = 10;
const RING_PX = 4;
const LEAST_WIDTH_PX = 180;
const MOST_WIDTH_PX = 336;

/**
 * @param {HTMLElement} home where the card lives; it moves along into dialogs
 * @returns {{card: HTMLElement, pointAt: (find: () => Element | null) => void, away: () => void}}
 */
export function makeCoach(home) {
  const ring = el("div", { class: "coach-ring", "aria-hidden": "true", hidden: true });
  const card = el("aside", { class: "coach", "aria-label": "Guide", tabindex: "-1" });
  let find = () => /** @type {Element | null} */ (null);
  let going = true;
  let last = "";

  /** Parts move while the page is worked in: look again with each frame drawn, cheaply. */
  function follow() {
    if (!going) return;
    const target = find();
    const box = target?.getBoundingClientRect() ?? null;
    const now = box ? [box.x, box.y, box.width, box.height, innerWidth, innerHeight, card.offsetHeight].join() : "none";
    if (now !== last) {
      last = now;
      place(box);
    }
    setTimeout(() => requestAnimationFrame(follow), 120);
  }

  /** @param {DOMRect | null} box */
  function place(box) {
    ring.hidden = !box || box.width === 0;
    // Beside a part as large as the frame, the card is as narrow as the column at its right.
    const gap = box ? innerWidth - box.right - 2 * GAP_PX : 0;
    const isLarge = box && box.width > innerWidth / 2 && box.height > innerHeight / 3;
    card.style.width = isLarge && gap >= LEAST_WIDTH_PX ? `${Math.min(gap, MOST_WIDTH_PX)}px` : "";
    const size = { width: card.offsetWidth, height: card.offsetHeight };
    const spot = box && box.width > 0 ? besides(box, size) : corner(size);
    card.style.left = `${spot.x}px`;
    card.style.top = `${spot.y}px`;
    if (ring.hidden || !box) return;
    ring.style.left = `${box.left - RING_PX}px`;
    ring.style.top = `${box.top - RING_PX}px`;
    ring.style.width = `${box.width + 2 * RING_PX}px`;
    ring.style.height = `${box.height + 2 * RING_PX}px`;
  }

  home.append(ring, card);
  follow();
  return {
    card,
    pointAt: (wanted) => {
      find = wanted;
      last = "";
    },
    away: () => {
      going = false;
      ring.remove();
      card.remove();
    },
  };
}

/**
 * The first side of a part on which the card has room; the far corner when there is none.
 * @param {DOMRect} box @param {{width: number, height: number}} size
 */
function besides(box, size) {
  const across = clamp(box.left, GAP_PX, innerWidth - size.width - GAP_PX);
  const down = clamp(box.top, GAP_PX, innerHeight - size.height - GAP_PX);
  const spots = [
    { x: across, y: box.bottom + GAP_PX },
    { x: box.right + GAP_PX, y: down },
    { x: box.left - size.width - GAP_PX, y: down },
    { x: across, y: box.top - size.height - GAP_PX },
  ];
  const fits = ({ x, y }) =>
    x >= 0 && y >= 0 && x + size.width <= innerWidth && y + size.height <= innerHeight;
  return spots.find(fits) ?? corner(size);
}

/** @param {{width: number, height: number}} size */
function corner(size) {
  return { x: innerWidth - size.width - 2 * GAP_PX, y: innerHeight - size.height - 2 * GAP_PX };
}
