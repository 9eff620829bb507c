/**
 * One pointer scrubs, two pinch and move: pointer events of the strip, for mouse, pen and touch.
 */

/**
 * @param {HTMLElement} track
 * @param {object} does
 * @param {(x: number) => void} does.scrub                  x: px from the track's left
 * @param {(factor: number, x: number) => void} does.pinch
 * @param {(px: number) => void} does.pan
 */
export function followPointers(track, { scrub, pinch, pan }) {
  /** @type {Map<number, number>} */
  const down = new Map();
  let goal = null;

  const xOf = (event) => event.clientX - track.getBoundingClientRect().left;

  // At most one jump a painted picture: pointers report more often than frames can be shown.
  const scrubSoon = (x) => {
    if (goal === null) {
      requestAnimationFrame(() => {
        if (goal !== null) {
          scrub(goal);
        }
        goal = null;
      });
    }
    goal = x;
  };

  track.addEventListener("pointerdown", (event) => {
    if (event.button > 0) {
      return;
    }
    track.setPointerCapture(event.pointerId);
    down.set(event.pointerId, xOf(event));
    if (down.size === 1) {
      scrub(xOf(event));
    } else {
      goal = null;
    }
  });

  track.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId)) {
      return;
    }
    const before = [...down.values()];
    down.set(event.pointerId, xOf(event));
    if (down.size === 1) {
      scrubSoon(xOf(event));
    } else if (down.size === 2) {
      const after = [...down.values()];
      const gaps = [before, after].map(([a, b]) => Math.max(8, Math.abs(a - b)));
      const middles = [before, after].map(([a, b]) => (a + b) / 2);
      pinch(gaps[1] / gaps[0], middles[1]);
      pan(middles[0] - middles[1]);
    }
  });

  const up = (event) => {
    if (down.size === 1 && goal !== null) {
      scrub(goal);
      goal = null;
    }
    down.delete(event.pointerId);
  };
  track.addEventListener("pointerup", up);
  track.addEventListener("pointercancel", up);
}
