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
const STEP_PX = 24;

/**
 * @typedef {object} Spot what the card stands beside, and what else it leaves free
 * @property {Element | null} target
 * @property {Element[]} free
 */

/**
 * @param {HTMLElement} home where the card lives; it moves along into dialogs
 * @returns {{card: HTMLElement, pointAt: (find: () => Spot) => void, away: () => void}}
 */
export function makeCoach(home) {
  const ring = el("div", { class: "coach-ring", "aria-hidden": "true", hidden: true });
  const card = el("aside", { class: "coach", "aria-label": "Guide", tabindex: "-1" });
  let find = () => /** @type {Spot} */ ({ target: null, free: [] });
  let going = true;
  let last = "";
  /** @type {Element | null} */
  let shown = null;

  /** Parts move while the page is worked in: look again with each frame drawn, cheaply. */
  function follow() {
    if (!going) return;
    const { target, free } = find();
    if (target !== shown) {
      shown = target;
      bringIntoView(target);
    }
    const box = target ? seenBox(target) : null;
    const taken = [...free, ...document.querySelectorAll(".notice")].map((part) => part.getBoundingClientRect());
    const now = [box, ...taken].map((rect) => rect && [rect.x, rect.y, rect.width, rect.height].join()).join(";")
      + [innerWidth, innerHeight, card.offsetHeight].join();
    if (now !== last) {
      last = now;
      place(box, taken.filter((rect) => rect.width > 0));
    }
    setTimeout(() => requestAnimationFrame(follow), 120);
  }

  /** @param {DOMRect | null} box @param {DOMRect[]} taken */
  function place(box, taken) {
    const there = box && box.width > 0 && box.height > 0 ? box : null;
    ring.hidden = !there;
    // Beside a part as large as the frame, the card is as narrow as the column at its right.
    const gap = there ? innerWidth - there.right - 2 * GAP_PX : 0;
    const isLarge = there && there.width > innerWidth / 2 && there.height > innerHeight / 3;
    card.style.width = isLarge && gap >= LEAST_WIDTH_PX ? `${Math.min(gap, MOST_WIDTH_PX)}px` : "";
    const size = { width: card.offsetWidth, height: card.offsetHeight };
    const spot = bestSpot(size, there, taken);
    card.style.left = `${spot.x}px`;
    card.style.top = `${spot.y}px`;
    if (!there) return;
    ring.style.left = `${there.left - RING_PX}px`;
    ring.style.top = `${there.top - RING_PX}px`;
    ring.style.width = `${there.width + 2 * RING_PX}px`;
    ring.style.height = `${there.height + 2 * RING_PX}px`;
  }

  home.append(ring, card);
  follow();
  return {
    card,
    pointAt: (wanted) => {
      find = wanted;
      last = "";
      shown = null;
    },
    away: () => {
      going = false;
      ring.remove();
      card.remove();
    },
  };
}

/** What is spoken of must be in sight. @param {Element | null} target */
function bringIntoView(target) {
  const box = target?.getBoundingClientRect();
  if (!target || !box) return;
  const seen = seenBox(target);
  if (seen.height >= Math.min(box.height, innerHeight / 3) - 1 && seen.width > 0) return;
  const calm = matchMedia("(prefers-reduced-motion: reduce)").matches;
  target.scrollIntoView({ block: "center", behavior: calm ? "instant" : "smooth" });
}

/** The part of a thing that the window, and the lists it scrolls in, show. @param {Element} target */
function seenBox(target) {
  let { left, top, right, bottom } = target.getBoundingClientRect();
  for (let around = target.parentElement; around && around !== document.body; around = around.parentElement) {
    if (getComputedStyle(around).overflow === "visible") continue;
    const frame = around.getBoundingClientRect();
    [left, top] = [Math.max(left, frame.left), Math.max(top, frame.top)];
    [right, bottom] = [Math.min(right, frame.right), Math.min(bottom, frame.bottom)];
  }
  [left, top] = [Math.max(left, 0), Math.max(top, 0)];
  const width = Math.min(right, innerWidth) - left;
  const height = Math.min(bottom, innerHeight) - top;
  return new DOMRect(left, top, Math.max(0, width), Math.max(0, height));
}

/**
 * Where the card covers neither what it speaks of nor what else is to stay free; of such places the
 * one nearest to it. Where there is none, the one that covers least.
 * @param {{width: number, height: number}} size @param {DOMRect | null} box @param {DOMRect[]} taken
 */
function bestSpot(size, box, taken) {
  const right = innerWidth - size.width - GAP_PX;
  const bottom = innerHeight - size.height - GAP_PX;
  const corner = { x: right - GAP_PX, y: bottom - GAP_PX };
  const near = box ?? new DOMRect(innerWidth, innerHeight, 0, 0);
  const spots = [...besides(near, size), corner];
  for (let x = GAP_PX; x <= Math.max(GAP_PX, right); x += STEP_PX) {
    for (let y = GAP_PX; y <= Math.max(GAP_PX, bottom); y += STEP_PX) spots.push({ x, y });
  }
  const ringed = box && new DOMRect(box.x - RING_PX, box.y - RING_PX, box.width + 2 * RING_PX, box.height + 2 * RING_PX);
  const costOf = (spot) => {
    const card = new DOMRect(spot.x, spot.y, size.width, size.height);
    const covered = [...(ringed ? [ringed] : []), ...taken].reduce((sum, rect) => sum + overlap(card, rect), 0);
    const outside = size.width * size.height - overlap(card, new DOMRect(0, 0, innerWidth, innerHeight));
    return (covered + outside) * 1e4 + distance(card, near);
  };
  return spots.map((spot) => ({ spot, cost: costOf(spot) })).reduce((best, one) => (one.cost < best.cost ? one : best)).spot;
}

/** The four sides of a part. @param {DOMRect} box @param {{width: number, height: number}} size */
function besides(box, size) {
  const across = clamp(box.left, GAP_PX, innerWidth - size.width - GAP_PX);
  const down = clamp(box.top, GAP_PX, innerHeight - size.height - GAP_PX);
  return [
    { x: across, y: box.bottom + GAP_PX },
    { x: box.right + GAP_PX, y: down },
    { x: box.left - size.width - GAP_PX, y: down },
    { x: across, y: box.top - size.height - GAP_PX },
  ];
}

/** How many px two boxes share. @param {DOMRect} a @param {DOMRect} b */
function overlap(a, b) {
  const width = Math.min(a.right, b.right) - Math.max(a.left, b.left);
  const height = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
  return width > 0 && height > 0 ? width * height : 0;
}

/** How far two boxes lie apart. @param {DOMRect} a @param {DOMRect} b */
function distance(a, b) {
  const across = Math.max(0, a.left - b.right, b.left - a.right);
  const down = Math.max(0, a.top - b.bottom, b.top - a.bottom);
  return Math.hypot(across, down);
}
