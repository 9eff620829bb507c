/**
 * What the page says to the operator: refusals, successes, and things worth knowing.
 *
 * A refusal stays until it is read, or until what it says is no longer so. The others leave by
 * themselves, unless they are being read. What is said of the attempt in hand goes when another one
 * is opened. Everything said is also spoken by screen readers: refusals at once, the rest in turn.
 */

import { button, el } from "./dom.js";
import { keepPlace } from "./notice_place.js";

/** @typedef {"info" | "refusal" | "success"} NoticeKind */
/** @typedef {"attempt" | "event"} NoticeOf what it is said of */

const STAY_MS = { info: 12_000, success: 7_000 };
const BRIEF_MS = 1500;
const MOST_SHOWN = 3;
const WORDS = { info: "Note", refusal: "Refused", success: "Done" };
const TROUBLE = "Trouble"; // with the event itself: nobody asked for anything that was refused

/**
 * @param {HTMLElement} root the region `#notices`
 * @returns {{say: (sentence: string, kind?: NoticeKind, of?: NoticeOf) => () => void, clear: () => void,
 *   brief: (sentence: string) => void,
 *   takeAway: (isOver: (sentence: string) => boolean) => boolean,
 *   leaveAttempt: () => void,
 *   offer: (sentence: string, ways: {label: string, run: () => void}[]) => () => void,
 *   moveInto: (dialog: HTMLElement | null) => void}}
 *   `say` and `offer` return what takes the notice away again; `takeAway` does so with all that no longer
 *   hold, and says whether there was one; `moveInto` keeps notices readable while a dialog makes the
 *   rest of the page inert
 */
export function createNotices(root) {
  const home = root.parentElement;
  const urgent = el("div", { role: "alert", class: "notice-list" });
  const calm = el("div", { role: "status", class: "notice-list" });
  root.removeAttribute("aria-live"); // the two lists speak for themselves
  root.setAttribute("role", "region");
  root.setAttribute("aria-label", "Messages");
  root.append(urgent, calm);
  const place = keepPlace(root);
  new MutationObserver(place).observe(root, { childList: true, subtree: true });
  const all = () => [...root.querySelectorAll(".notice:not(.notice-offer)")];
  const textOf = (notice) => notice.querySelector(".notice-text")?.textContent ?? "";

  /** @param {string} sentence @param {NoticeKind} [kind] @param {NoticeOf} [of] */
  function say(sentence, kind = "info", of = "attempt") {
    const list = kind === "refusal" ? urgent : calm;
    for (const shown of list.children) {
      if (textOf(shown) === sentence) shown.remove();
    }
    const notice = el(
      "div",
      { class: `notice notice-${kind}`, data: { of } },
      el("strong", { class: "notice-kind" }, kind === "refusal" && of === "event" ? TROUBLE : WORDS[kind]),
      el("span", { class: "notice-text" }, sentence),
    );
    const away = () => {
      clearTimeout(timer);
      const hadFocus = notice.contains(document.activeElement);
      const next = notice.nextElementSibling ?? notice.previousElementSibling;
      notice.remove();
      if (!hadFocus) return;
      const goal = next?.querySelector("button") ?? root.closest("dialog")?.querySelector("h2") ?? document.querySelector("#stage");
      /** @type {HTMLElement | null} */ (goal)?.focus({ preventScroll: true });
    };
    notice.append(button("Close", away, { "aria-label": "Close this message" }));
    let timer = leaveLater(notice, kind, away);
    const wait = () => clearTimeout(timer);
    const goOn = () => {
      clearTimeout(timer);
      timer = leaveLater(notice, kind, away);
    };
    whileOver(notice, wait, goOn);
    notice.addEventListener("focusin", wait);
    notice.addEventListener("focusout", goOn);
    list.append(notice);
    const leaving = calm.querySelectorAll(".notice:not(.notice-offer)");
    if (leaving.length > MOST_SHOWN) leaving[0].remove();
    return away;
  }

  /**
   * A question that can wait: it stays until one of its ways is chosen.
   * @param {string} sentence @param {{label: string, run: () => void}[]} ways
   */
  function offer(sentence, ways) {
    const notice = el(
      "div",
      { class: "notice notice-offer" },
      el("span", { class: "notice-text" }, sentence),
      ways.map(({ label, run }) => button(label, run)),
    );
    calm.append(notice);
    return () => notice.remove();
  }

  /** What is seen on the page as well, such as what was undone: said, and gone soon. @param {string} sentence */
  function brief(sentence) {
    setTimeout(say(sentence), BRIEF_MS);
  }

  /** @param {(sentence: string) => boolean} isOver */
  function takeAway(isOver) {
    const over = all().filter((notice) => isOver(textOf(notice)));
    for (const notice of over) notice.remove();
    return over.length > 0;
  }

  function leaveAttempt() {
    for (const notice of all()) {
      if (notice.dataset.of === "attempt" && !notice.matches(".notice-success")) notice.remove();
    }
  }

  return {
    say,
    brief,
    offer,
    takeAway,
    leaveAttempt,
    clear: () => {
      urgent.replaceChildren();
      calm.replaceChildren();
    },
    moveInto: (dialog) => {
      const parent = dialog ?? home;
      if (parent && root.parentElement !== parent) parent.append(root);
      place();
    },
  };
}

/**
 * @param {HTMLElement} notice
 * @param {NoticeKind} kind
 * @param {() => void} away
 * @returns {number} the timer, 0 where it stays
 */
function leaveLater(notice, kind, away) {
  if (kind === "refusal") return 0;
  return window.setTimeout(() => notice.isConnected && away(), STAY_MS[kind]);
}

/**
 * A notice lets presses through to the picture, so it is not told of the pointer: watch where it is.
 * @param {HTMLElement} notice @param {() => void} enter @param {() => void} leave
 */
function whileOver(notice, enter, leave) {
  let isOver = false;
  const look = ({ clientX, clientY }) => {
    if (!notice.isConnected) {
      removeEventListener("pointermove", look);
      return;
    }
    const { left, right, top, bottom } = notice.getBoundingClientRect();
    const now = clientX >= left && clientX <= right && clientY >= top && clientY <= bottom;
    if (now !== isOver) (now ? enter : leave)();
    isOver = now;
  };
  addEventListener("pointermove", look, { passive: true });
}
