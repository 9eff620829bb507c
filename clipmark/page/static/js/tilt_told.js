/**
 * What a side tilt found: the numbers beside the strip, and the events one goes to.
 */

import { button, el } from "./dom.js";
import { numberView } from "./number_view.js";
import { decimalsFor, fixed, intervalOf, measured, seconds, sentenceOf } from "./numbers.js";
import { withoutOptions } from "./plain.js";

const title = (text) => el("p", { class: "number-card-title" }, text);
const soft = (text) => el("p", { class: "soft" }, text);

/** Views for the row of numbers, in the order they stand. */
export function tiltViews() {
  return [
    numberView({ label: "first motion", name: "tilt_deg", words: (result) => orWords(result, "tilt_deg", "not seen"), explain: explainTilt }),
    numberView({ label: "at the gap", name: "gap_tilt_deg", words: (result) => orWords(result, "gap_tilt_deg", "not seen"), explain: explainGap }),
    numberView({ label: "rate", name: "rate_deg_s", words: rateWords, explain: (result) => [title(`rate: ${rateWords(result)}`), soft("How fast the platform turned then. Only like rates are compared.")] }),
    ofCog(numberView({ label: "centre of gravity", name: "height_mm" })),
    ofCog(numberView({ label: "offset, to the right", name: "offset_mm" })),
    ofCog(numberView({ label: "static stability factor", name: "stability_factor" })),
    numberView({ label: "highest tilt", name: "highest_tilt_deg" }),
    numberView({ label: "notes", name: "notes", words: noteCount, explain: () => [title("What was noted")] }),
  ];
}

/** How many warnings a reading carries; they are listed on the card. */
export function noteCount(result) {
  return result.warnings?.length ? String(result.warnings.length) : "none";
}

/** The words where there is no value; the value itself else. */
function orWords(result, name, words) {
  return measured(result, name).value === null ? words : null;
}

/** A view of what left and right give together: no number where nothing was joined. */
function ofCog(view) {
  const update = (result, how, why) => view.update(result?.cog ? { ...result, ...result.cog } : null, how, why);
  return { node: view.node, update };
}

function explainTilt(result) {
  const value = measured(result, "tilt_deg");
  const what = "The platform's angle as the truck began to tip, by the unstable-turning model: it cannot be seen by eye.";
  return value.value === null ? [title("first motion: not seen"), soft(what), ...whyNot(result)] : [title(`first motion: ${sentenceOf(value)}`), soft(intervalOf(value)), soft(what)];
}

function explainGap(result) {
  const value = measured(result, "gap_tilt_deg");
  const what = `The platform's angle when the gap under the uphill tyres marked reached ${result.gap_mm} mm. It reads late, the more the faster the platform turns.`;
  return value.value === null ? [title("at the gap: not seen"), soft(what)] : [title(`at the gap: ${sentenceOf(value)}`), soft(intervalOf(value)), soft(what)];
}

function whyNot(result) {
  return (result.other_events ?? []).map(({ event, said, why }) => el("p", {}, `${event}: ${said} (${withoutOptions(why)})`));
}

function rateWords(result) {
  return Number.isFinite(result.rate_deg_s) ? `${fixed(result.rate_deg_s, 2)} °/s` : "not told";
}

/**
 * The whole of it for the panel: every event with its angle, then what was not seen and why.
 *
 * @param {any} result
 * @param {(event: {t_s: number, frame: number}) => void} goTo
 * @returns {Node[]}
 */
export function tiltNodes(result, goTo) {
  const events = result.events ?? [];
  return [
    el("h3", {}, "What happened, and at which angle"),
    events.length
      ? el("ol", { role: "list", class: "told-list" }, ...events.map((event) => eventNode(event, goTo)))
      : el("p", {}, "None of the four events was seen."),
    ...notSeen(result.other_events ?? []),
    ...cogNodes(result),
    el("p", { class: "soft small" }, `${sideOf(result)} Highest angle of the span: ${sentenceOf(measured(result, "highest_tilt_deg"))}.`),
  ];
}

function sideOf({ low_side: side }) {
  return side ? `The ${side} side was low.` : "";
}

function eventNode(event, goTo) {
  const angle = measured(event, "tilt_deg");
  const told = angle.value === null ? `turned ${fixed(event.turned_deg, 2)}°` : sentenceOf(angle);
  const rate = Number.isFinite(event.rate_deg_s) ? `${withU(event.rate_deg_s, event.rate_u95_deg_s)} °/s` : "";
  return el(
    "li",
    { class: "told" },
    el("span", { class: "told-head" }, el("strong", {}, event.event), el("strong", { class: "told-value" }, told)),
    el("span", { class: "small" }, `by ${event.criterion}`),
    el("span", { class: "told-foot small" }, placeButton(event, event.event, goTo), rate && el("span", {}, rate)),
  );
}

/** "3.98 ± 0.21" */
function withU(value, u95) {
  return Number.isFinite(u95) ? `${fixed(value, decimalsFor(u95))} ± ${fixed(u95, decimalsFor(u95))}` : fixed(value, 2);
}

/**
 * A time that one goes to.
 *
 * @param {{t_s: number, t_u95_s?: number, frame?: number|null}} at
 * @param {string} what  for the ear
 * @param {(at: any) => void} goTo
 */
export function placeButton(at, what, goTo) {
  const when = Number.isFinite(at.t_u95_s) ? `${withU(at.t_s, at.t_u95_s)} s` : seconds(at.t_s);
  const frame = Number.isInteger(at.frame) ? ` · frame ${at.frame}` : "";
  return button(`${when}${frame}`, () => goTo(at), { class: "told-go", "aria-label": `${what}, ${when}${frame}: go there` });
}

function notSeen(others) {
  if (others.length === 0) return [];
  return [
    el("h3", {}, "Not named"),
    el("ul", { role: "list", class: "told-list" }, ...others.map(({ event, said, why }) =>
      el("li", { class: "told" }, el("span", { class: "told-head" }, el("strong", {}, event), el("span", {}, said)), el("span", { class: "small" }, withoutOptions(why))))),
  ];
}

function cogNodes({ cog, track_mm: track, settings }) {
  if (!cog) return [];
  const rows = [
    ["height", sentenceOf(measured(cog, "height_mm"))],
    ["offset, to the right", sentenceOf(measured(cog, "offset_mm"))],
    ["static stability factor", sentenceOf(measured(cog, "stability_factor"))],
    ["left low, right low", `${fixed(cog.left_deg, 2)}°, ${fixed(cog.right_deg, 2)}°`],
    ["track", `${track} mm`],
  ];
  const other = settings?.joined_with?.clip_sha256;
  return [
    el("h3", {}, "Centre of gravity, left and right together"),
    el("dl", { class: "told-figures" }, ...rows.flatMap(([what, text]) => [el("dt", {}, what), el("dd", {}, text)])),
    el("p", { class: "soft small" }, `From first motion on both sides${other ? `; the other side's clip is ${other.slice(0, 12)}` : ""}. On springs the height is an effective one.`),
  ];
}
