// Mouse wheels and trackpads: how far was turned, whatever the device counts in. Pure.

const LINE_PX = 16;
const PAGE_PX = 400;
const PER_PX = 1.0015; // a notch of a mouse is about 100 px
const PINCH_GAIN = 6; // a pinch on a trackpad comes as a wheel with Ctrl, in small numbers

/** @param {WheelEvent} event @returns {{x: number, y: number}} CSS px */
export function wheelPx({ deltaX, deltaY, deltaMode }) {
  const unit = [1, LINE_PX, PAGE_PX][deltaMode] ?? 1;
  return { x: deltaX * unit, y: deltaY * unit };
}

/** By how much to come closer; 1 leaves it as it is. @param {WheelEvent} event */
export function zoomFactor(event) {
  const gain = event.ctrlKey ? PINCH_GAIN : 1;
  return PER_PX ** (-gain * wheelPx(event).y);
}
