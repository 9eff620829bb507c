/**
 * Pairing by slate: the first frames of a clip, large, to read what is held up in them; the form
 * of what a slate says beside it.
 */

import { shownAspect } from "./clip_card.js";
import { detailsForm } from "./details_form.js";
import { button, el, put } from "./dom.js";
import { seconds } from "./numbers.js";
import { attemptWords, makeDraft, onClip } from "./work_list.js";

const WIDTH_PX = 1280;

/**
 * @param {HTMLElement} place
 * @param {import("./pairing_panel.js").Pairing} pairing
 * @returns {() => void} stops it
 */
export function bySlate(place, pairing) {
  const { ctx, work, clips, panel } = pairing;
  const { api, notices, store } = ctx;
  let at = 0;
  let ordinal = 0;
  let last = 0;
  let made = 0;
  /** @type {number[] | null} */
  let times = null;
  /** @type {any} the clip with its facts, once it is open */
  let opened = null;
  let going = true;

  const picture = /** @type {HTMLImageElement} */ (el("img", { class: "slate-picture", alt: "" }));
  const where = el("p", { class: "figures", role: "status" });
  const name = el("h3", {});
  const has = el("p", { class: "small soft" });
  let form = detailsForm(store.event, () => work.attempts);
  const formPlace = el("div", {});

  async function showClip() {
    const clip = clips[at];
    name.textContent = `${clip.name} (${at + 1} of ${clips.length})`;
    ordinal = 0;
    last = 0;
    times = null;
    opened = null;
    drawFrame();
    tellAttempts();
    try {
      const found = await api.post(`api/clips/${clip.sha}/open`);
      const answer = await api.get(`api/clips/${clip.sha}/times`);
      if (!going || clips[at] !== clip) return;
      opened = found;
      last = (opened.facts?.frame_count ?? 1) - 1;
      times = answer.times_s;
      drawFrame();
    } catch (error) {
      if (going && clips[at] === clip) notices.say(error.message, "refusal");
    }
  }

  function tellAttempts() {
    const { attempts, drafts } = onClip(work, clips[at].sha);
    const words = [...attempts, ...drafts].map(attemptWords);
    has.hidden = words.length === 0;
    has.textContent = `Has: ${words.join("; ")}.`;
  }

  function drawFrame() {
    const clip = clips[at];
    picture.src = `api/clips/${clip.sha}/frames/${ordinal}.jpg?width=${WIDTH_PX}`;
    picture.alt = `Frame ${ordinal} of ${clip.name}`;
    picture.style.aspectRatio = shownAspect(opened ?? clip);
    where.textContent = `frame ${ordinal}${times ? `, ${seconds(times[ordinal])}` : ""}`;
  }

  /** @param {number} frames */
  function step(frames) {
    const wanted = Math.min(last, Math.max(0, ordinal + frames));
    if (wanted === ordinal) return;
    ordinal = wanted;
    drawFrame();
  }

  /** Frames in about a second; 30 where the file tells no times. */
  function second() {
    const rate = times && times.length > 1 ? (times.length - 1) / (times[times.length - 1] - times[0]) : 30;
    return Math.max(1, Math.round(rate));
  }

  function newForm(kept = {}) {
    form = detailsForm(store.event, () => work.attempts);
    form.write(kept);
    put(formPlace, form.node);
  }

  async function make(goOn) {
    const details = form.read();
    if (details === null) return;
    const clip = clips[at];
    try {
      await makeDraft(ctx, clip.sha, details, ordinal);
    } catch (error) {
      notices.say(error.message, "refusal");
      return;
    }
    made += 1;
    pairing.paired(clip.sha);
    work.drafts[work.drafts.length - 1] = { ...details, key: "", attempt: null, clip: clip.sha };
    notices.say(`${attemptWords(details)} on ${clip.name}: made, not signed yet.`, "success");
    // Clips of one test tend to follow each other: what seldom changes stays.
    newForm({ entry: details.entry, test: details.test, setup: details.setup, surface: details.surface });
    if (goOn) next();
    else tellAttempts();
  }

  function next() {
    if (at + 1 >= clips.length) {
      pairing.finished(made);
      return;
    }
    at += 1;
    showClip();
    /** @type {HTMLElement | null} */ (formPlace.querySelector("select, input"))?.focus();
  }

  function onKey(event) {
    if (event.target.matches("input, select, textarea") || event.ctrlKey || event.altKey) return;
    const frames = { n: 1, N: 10, b: -1, B: -10 }[event.key];
    if (frames) step(frames);
  }
  panel.dialog.addEventListener("keydown", onKey);

  newForm();
  put(
    place,
    el(
      "div",
      { class: "slate" },
      el(
        "div",
        { class: "slate-shown" },
        name,
        picture,
        el(
          "div",
          { class: "row" },
          button("One second back", () => step(-second())),
          button("Ten back", () => step(-10)),
          button("Back", () => step(-1)),
          where,
          button("Next", () => step(1)),
          button("Ten on", () => step(10)),
          button("One second on", () => step(second())),
        ),
      ),
      el(
        "div",
        { class: "slate-form" },
        el("h3", {}, "What the slate says"),
        has,
        formPlace,
        el(
          "div",
          { class: "panel-foot" },
          button("Make the attempt, next clip", () => make(true), { class: "main" }),
          button("Make it, stay on this clip", () => make(false)),
          button("Next clip without one", next),
          button("That is all", () => pairing.finished(made), { class: "plain" }),
        ),
      ),
    ),
  );
  showClip();
  return () => {
    going = false;
    panel.dialog.removeEventListener("keydown", onKey);
  };
}
