/**
 * Where messages stand on the page: over the picture's upper right corner, where nothing is to be
 * pressed; what a press there means for the picture it still means. Where the picture is out of sight
 * or too small, at the foot of the window.
 */

const GAP_PX = 8;
const MOST_WIDTH_PX = 416;
const LEAST_WIDTH_PX = 256;
const LEAST_HEIGHT_PX = 130;

/**
 * @param {HTMLElement} root the region `#notices`
 * @returns {() => void} to be called when something was said or taken away
 */
export function keepPlace(root) {
  const stage = document.getElementById("stage");
  let due = 0;
  /** @type {Element | null} */
  let watchedNote = null;

  const later = () => {
    due ||= requestAnimationFrame(() => {
      due = 0;
      place();
    });
  };
  const sizes = new ResizeObserver(later);
  if (stage) sizes.observe(stage);
  addEventListener("resize", later);
  addEventListener("scroll", later, { passive: true, capture: true });

  function place() {
    const style = root.style;
    if (root.closest("dialog") || !stage) {
      for (const name of ["left", "top", "bottom", "width", "maxHeight"]) style[name] = "";
      return;
    }
    const box = stage.getBoundingClientRect();
    const top = Math.max(0, box.top) + GAP_PX + noteHeight();
    const bottom = Math.min(innerHeight, box.bottom) - GAP_PX;
    const isSeen = bottom - top >= LEAST_HEIGHT_PX && box.width >= LEAST_WIDTH_PX + 2 * GAP_PX;
    const width = Math.min(MOST_WIDTH_PX, (isSeen ? box.width : innerWidth) - 2 * GAP_PX);
    style.width = `${width}px`;
    if (isSeen) {
      style.left = `${box.right - width - GAP_PX}px`;
      style.top = `${top}px`;
      style.bottom = "";
      style.maxHeight = `${bottom - top}px`;
    } else {
      style.left = `${innerWidth - width - GAP_PX}px`;
      style.top = "auto";
      style.bottom = `${GAP_PX}px`;
      style.maxHeight = "50vh";
    }
  }

  /** What is said of the picture itself stands at its head, and stays to be read. */
  function noteHeight() {
    const note = stage?.querySelector(".frame-note") ?? null;
    if (note && note !== watchedNote) sizes.observe(note);
    watchedNote = note;
    const height = note?.getBoundingClientRect().height ?? 0;
    return height > 0 ? height + GAP_PX : 0;
  }

  later();
  return later;
}
