// Mouse, pen and fingers on the stage: who gets a press, and what two fingers do.
//
// A taker is asked in turn whether it wants a press; it answers with a grip, or null. What nobody
// wants pans the picture. A second finger ends the first one's grip and zooms.

import { wheelPx, zoomFactor } from "./wheel.js";

/**
 * @typedef {object} Press
 * @property {number} x picture px
 * @property {number} y
 * @property {number} clientX
 * @property {number} clientY
 * @property {string} type "mouse", "pen" or "touch"
 * @property {PointerEvent} event
 *
 * @typedef {object} Grip
 * @property {(press: Press, moved: boolean) => void} move `moved` once it is a drag, not a tap
 * @property {(press: Press, moved: boolean) => void} up
 * @property {() => void} cancel
 * @property {boolean} [pans] moves only the view
 */

const SLACK_PX = { mouse: 3, pen: 5, touch: 8 }; // a hand is not still

/** @param {import("./frame_view.js").FrameView} view */
export function watchPointers(view) {
  const { stage } = view;
  /** @type {((press: Press) => Grip|null)[]} */
  const takers = [];
  const down = new Map(); // pointer id -> last place
  let held = null; // {id, grip, from, moved}
  let pinch = null;

  const pressOf = (event) => ({
    ...view.toPicture(event.clientX, event.clientY),
    clientX: event.clientX, clientY: event.clientY, type: event.pointerType, event,
  });

  function begin(event) {
    if (event.target.closest("button, input, select, a")) return;
    if (event.pointerType === "mouse" && event.button > 1) return;
    down.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (down.size === 2) {
      held?.grip.cancel();
      held = null;
      pinch = spread(down);
      return;
    }
    if (down.size > 1) return;
    const press = pressOf(event);
    view.pointer = { x: press.x, y: press.y };
    const wanted = event.button === 1 ? null : firstOf(takers, press);
    const grip = wanted ?? panGrip(view, press);
    held = { id: event.pointerId, grip, from: press, moved: false };
    stage.setPointerCapture(event.pointerId);
    if (!stage.contains(document.activeElement)) view.focus();
    event.preventDefault(); // no text selection, no focus jumping to what is under the finger
  }

  function go(event) {
    const press = pressOf(event);
    if (event.pointerType === "mouse" || down.has(event.pointerId)) {
      view.pointer = { x: press.x, y: press.y };
      view.tell("pointer");
    }
    if (!down.has(event.pointerId)) return;
    down.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (pinch && down.size === 2) {
      const now = spread(down);
      view.pinch(now.apart / pinch.apart, now.x, now.y, now.x - pinch.x, now.y - pinch.y);
      pinch = now;
    } else if (held?.id === event.pointerId) {
      held.moved ||= apart(press, held.from) > (SLACK_PX[event.pointerType] ?? 3);
      held.grip.move(press, held.moved);
    }
  }

  function end(event, cancelled) {
    if (!down.delete(event.pointerId)) return;
    pinch = down.size === 2 ? spread(down) : null; // of the fingers that are left
    if (held?.id !== event.pointerId) return;
    const { grip, moved } = held;
    held = null;
    if (cancelled) grip.cancel();
    else grip.up(pressOf(event), moved);
  }

  stage.addEventListener("pointerdown", begin);
  stage.addEventListener("pointermove", go);
  stage.addEventListener("pointerup", (event) => end(event, false));
  stage.addEventListener("pointercancel", (event) => end(event, true));
  stage.addEventListener("pointerleave", (event) => {
    if (down.size === 0 && event.pointerType === "mouse") {
      view.pointer = null;
      view.tell("pointer");
    }
  });
  stage.addEventListener("wheel", (event) => {
    event.preventDefault();
    const { x, y } = wheelPx(event);
    if (event.shiftKey) view.panBy(-(x || y), 0);
    else view.zoomAt(zoomFactor(event), event.clientX, event.clientY);
  }, { passive: false });

  return {
    /** @param {(press: Press) => Grip|null} taker */
    take: (taker) => takers.push(taker),
    /** Let go of what is held, as Escape does; true when something was. */
    drop() {
      if (!held || held.grip.pans) return false;
      held.grip.cancel();
      held = null;
      return true;
    },
    get busy() {
      return held !== null;
    },
  };
}

function firstOf(takers, press) {
  for (const taker of takers) {
    const grip = taker(press);
    if (grip) return grip;
  }
  return null;
}

function panGrip(view, press) {
  let last = press;
  view.stage.dataset.panning = "yes";
  const done = () => delete view.stage.dataset.panning;
  const tap = press.event.button === 0;
  return {
    pans: true,
    move(now, moved) {
      if (!moved) return;
      view.panBy(now.clientX - last.clientX, now.clientY - last.clientY);
      last = now;
    },
    up(now, moved) {
      done();
      if (tap && !moved) view.tapped?.(now); // on nothing: lets go of what is in hand
    },
    cancel: done,
  };
}

function apart(a, b) {
  return Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY);
}

function spread(down) {
  const [a, b] = [...down.values()];
  return {
    x: (a.x + b.x) / 2, y: (a.y + b.y) / 2,
    apart: Math.max(8, Math.hypot(a.x - b.x, a.y - b.y)),
  };
}
