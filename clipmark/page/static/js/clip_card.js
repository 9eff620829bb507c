/**
 * One clip of the event: what it is, what is wrong with it, whether its frames are ready, and
 * the attempts on it.
 */

import { button, el } from "./dom.js";
import { field } from "./form_parts.js";
import { fixed } from "./numbers.js";
import { asSentence } from "./plain.js";
import { attemptWords, onClip } from "./work_list.js";

const FRAMES_NAMED = 8;

/**
 * @typedef {object} CardWays what the buttons of a card do
 * @property {(sha: string) => void} look
 * @property {(sha: string) => void} newAttempt
 * @property {(id: string) => void} openAttempt
 * @property {(key: string) => void} openDraft
 * @property {(sha: string) => void} useForThis
 * @property {(sha: string, as: string, offset_s: number | null) => void} addToThis
 * @property {(sha: string) => void} stopCheck
 * @property {(sha: string) => void} lookFor attempts in it
 * @property {(sha: string) => void} hide
 */

/**
 * @param {any} clip
 * @param {import("./work_list.js").Work} work
 * @param {any} draft the attempt in hand
 * @param {CardWays} ways
 * @param {boolean} inHand whether an attempt is open to which clips can be added
 */
export function clipCard(clip, work, draft, ways, inHand) {
  const { attempts, drafts } = onClip(work, clip.sha);
  const used = draft.clip === clip.sha || draft.further_clips.some((item) => item.clip === clip.sha);
  return el(
    "li",
    { class: "clip-card", data: { sha: clip.sha, readable: clip.readable ? "yes" : "no" } },
    clip.facts
      ? clipStill(clip)
      : el("div", { class: "clip-still clip-still-none", "aria-hidden": "true" }),
    el(
      "div",
      { class: "clip-told" },
      el("h3", {}, clip.name, used && el("span", { class: "stamp" }, "in this attempt")),
      el("p", { class: "small soft" }, factsLine(clip)),
      !clip.readable && el("p", { class: "bad" }, `Not measurable: ${clip.sentence ?? "it cannot be read."}`),
      ...troubles(clip.facts).map((sentence) => el("p", { class: "warn small" }, sentence)),
      cacheLine(clip, ways),
      attemptList(attempts, drafts, ways),
    ),
    el(
      "div",
      { class: "clip-acts" },
      clip.readable &&
        button("New attempt on this clip", () => ways.newAttempt(clip.sha), {
          "aria-label": `New attempt on this clip: ${clip.name}`,
        }),
      !clip.facts &&
        clip.readable &&
        button("Look at it", () => ways.look(clip.sha), { "aria-label": `Look at it: facts and warnings of ${clip.name}` }),
      clip.readable &&
        button("Areas to hide", () => ways.hide(clip.sha), { "aria-label": `Areas to hide in reports of ${clip.name}` }),
      clip.readable &&
        button("Look for attempts", () => ways.lookFor(clip.sha), { "aria-label": `Look for attempts in ${clip.name}` }),
      clip.readable && inHand && !used && addForm(clip, draft, ways),
    ),
  );
}

/**
 * The first frame of a clip, small, with the width its pixels have when shown.
 * @param {any} clip @param {string} [alt] empty where the name stands beside it
 */
export function clipStill(clip, alt = "") {
  const still = el("img", {
    class: "clip-still", src: `api/clips/${clip.sha}/frames/0.jpg?width=480`, alt, loading: "lazy",
  });
  still.style.aspectRatio = shownAspect(clip);
  return still;
}

/** Width to height as shown, as CSS writes it; pictures are sent with their own pixels. @param {any} clip */
export function shownAspect({ facts }) {
  return facts ? String((facts.width * facts.pixel_aspect) / facts.height) : "";
}

/** "1920 x 1080, 240 frames, 8.00 s" @param {any} clip */
function factsLine(clip) {
  const size = `${fixed(clip.size_bytes / 1e6, 1)} MB`;
  const facts = clip.facts;
  if (!facts) return `${size}; not looked at yet`;
  const parts = [
    `${facts.width} × ${facts.height} px`,
    `${facts.frame_count} frames`,
    facts.has_times ? `${fixed(facts.duration_s ?? 0, 2)} s` : null,
    Math.abs(facts.pixel_aspect - 1) > 1e-6 ? `pixels ${fixed(facts.pixel_aspect, 3)} wide for 1 high` : null,
    size,
    facts.checked ? "checked whole" : null,
  ];
  return parts.filter(Boolean).join(", ");
}

/** What the operator should know of the file, as sentences. @param {any} facts */
function troubles(facts) {
  if (!facts) return [];
  const found = facts.warnings.map(asSentence);
  if (!facts.has_times) {
    found.push("The file holds no times of its frames: angles can be measured, speeds cannot.");
  }
  if (facts.damaged.length > 0) found.push(`Damaged frames: ${someOf(facts.damaged)}.`);
  if (facts.missing.length > 0) found.push(`Missing frames: ${someOf(facts.missing)}.`);
  return found;
}

/** @param {number[]} ordinals */
function someOf(ordinals) {
  const shown = ordinals.slice(0, FRAMES_NAMED).join(", ");
  const more = ordinals.length - FRAMES_NAMED;
  return more > 0 ? `${shown} and ${more} more` : shown;
}

/** @param {any} clip @param {CardWays} ways */
function cacheLine(clip, ways) {
  const cache = clip.cache;
  if (!cache || cache.state === "none") return null;
  if (cache.state === "building") {
    return el(
      "div",
      { class: "clip-cache small" },
      el("span", {}, `Checking: ${cache.done} of ${cache.total ?? "?"} frames`),
      el("progress", {
        max: Math.max(1, cache.total ?? 1),
        value: cache.total ? cache.done : undefined,
        "aria-label": `Checked of ${clip.name}`,
      }),
      button("Stop", () => ways.stopCheck(clip.sha), { "aria-label": `Stop checking ${clip.name}` }),
    );
  }
  const words =
    cache.state === "failed"
      ? "Frames could not be made ready beforehand; each is decoded when it is shown."
      : cache.every > 1
        ? `One frame in ${cache.every} is ready to jump to; the others are decoded when shown.`
        : "Every frame is ready to jump to.";
  return el("p", { class: "small soft" }, words);
}

/** @param {any[]} attempts @param {any[]} drafts @param {CardWays} ways */
function attemptList(attempts, drafts, ways) {
  if (attempts.length + drafts.length === 0) return el("p", { class: "small soft" }, "No attempt on it yet.");
  return el(
    "ul",
    { role: "list", class: "clip-attempts" },
    attempts.map((item) =>
      el(
        "li",
        {},
        button(`Open ${item.id}`, () => ways.openAttempt(item.id)),
        el("span", {}, attemptWords(item)),
        el("span", { class: "soft" }, item.verdict ?? "no verdict"),
        item.has_draft && el("span", { class: "stamp warn" }, "changes not signed"),
      ),
    ),
    drafts.map((item) =>
      el(
        "li",
        {},
        button("Go on", () => ways.openDraft(item.key), { "aria-label": `Go on with ${attemptWords(item)}` }),
        el("span", {}, attemptWords(item)),
        el("span", { class: "stamp warn" }, "not signed yet"),
      ),
    ),
  );
}

/** Adding a clip to the attempt in hand: as its first clip, or further. @param {any} clip @param {any} draft @param {CardWays} ways */
function addForm(clip, draft, ways) {
  if (!draft.clip) return button("Use for this attempt", () => ways.useForThis(clip.sha));
  const as = field({
    name: "as",
    label: "It is",
    kind: "choice",
    choices: [
      ["continues", "what comes after the first clip"],
      ["second camera", "a second camera"],
    ],
  });
  const offset = field({
    name: "offset_s",
    label: "Starts after the first clip by",
    kind: "number",
    unit: "s",
    hint: "Left empty: not known.",
  });
  return el(
    "details",
    { class: "clip-add" },
    el("summary", {}, "Add to this attempt"),
    as.node,
    offset.node,
    button("Add", () => {
      if (offset.problem() === null) ways.addToThis(clip.sha, as.read(), offset.read());
    }),
  );
}
