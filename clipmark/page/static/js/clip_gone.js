/**
 * An attempt whose clip cannot be opened: said on the stage by the clip's name, with what to do, and
 * the way to look again. All that was signed is on the page meanwhile, without pictures.
 */

import { button, el } from "./dom.js";
import { asSentence } from "./plain.js";

/**
 * @param {HTMLElement} stage
 * @param {any} ctx
 * @param {() => Promise<boolean>} lookAgain true when the clip is there now
 */
export function mountGone(stage, ctx, lookAgain) {
  const { store } = ctx;
  const words = el("p", {});
  const answer = el("p", { class: "small", role: "status" });
  const again = button("Look again", look, { class: "main" });
  const box = el("div", { class: "clip-gone", role: "group", "aria-label": "The clip of this attempt", hidden: true },
    words, el("div", { class: "row" }, again), answer);
  stage.append(box);
  let isLooking = false;

  async function look() {
    if (isLooking) return;
    isLooking = true;
    answer.textContent = "Looking \u2026";
    try {
      const isThere = await lookAgain();
      answer.textContent = isThere ? "" : "It is not there yet.";
      if (isThere) ctx.notices.say(`${store.clip.name} is here again.`);
    } finally {
      isLooking = false;
    }
  }

  function update() {
    const { clip } = store;
    const isGone = Boolean(clip) && clip.readable === false && Boolean(store.draft.clip);
    if (isGone && box.hidden) answer.textContent = "";
    const hadFocus = box.contains(document.activeElement);
    box.hidden = !isGone;
    if (hadFocus && !isGone) stage.focus({ preventScroll: true });
    if (isGone) words.textContent = clip.sentence;
  }
  store.subscribe(update, ["clip", "loaded"]);
  // Whoever put the file back comes from another window.
  window.addEventListener("focus", () => {
    if (!box.hidden) look();
  });
  update();
}

/**
 * Why the clip of an attempt cannot be seen, and what to do.
 * @param {{name: string, sha: string, there: any[]}} gone  `there`: the clips that are in the event
 * @param {string} refusal of the server, for a clip that is there and cannot be read
 */
export function whyGone({ name, sha, there }, refusal) {
  if (there.some((clip) => clip.sha === sha)) {
    return asSentence(refusal);
  }
  const kept = "What was signed or marked is shown as it is, without pictures.";
  const what = there.some((clip) => clip.name === name)
    ? `The file ${name} in clips/ has another content now than when this was marked`
    : `The clip ${name} is not in this event's folder now`;
  return `${what}. Put the original file back into clips/, under any name, then look again. ${kept}`;
}
