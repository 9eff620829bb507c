/**
 * What a climb or a descent found: the proposal and its reason, the facts one goes to, the figures.
 * A proposal is never a verdict: nothing here writes to the slip.
 */

import { el } from "./dom.js";
import { numberView } from "./number_view.js";
import { decimalsFor, fixed, measured, seconds, sentenceOf } from "./numbers.js";
import { withoutOptions } from "./plain.js";
import { noteCount, placeButton } from "./tilt_told.js";

const title = (text) => el("p", { class: "number-card-title" }, text);
const soft = (text) => el("p", { class: "soft" }, text);
const LENGTHS = [
  ["run-up", "run_up", "_s"],
  ["progress", "progress", ""],
  ["slid back", "slide_back", ""],
  ["rolled back", "roll_back", ""],
  ["went back", "went_back", ""],
];

/** Views for the row of numbers, in the order they stand; lengths in mm, or in px without a scale. */
export function climbViews() {
  return [
    numberView({ label: "proposed", name: "proposed", words: (result) => result.proposed ?? null, explain: explainProposal }),
    numberView({ label: "finish", name: "finish_t_s" }),
    numberView({ label: "tipped back", name: "tip_over_t_s" }),
    ...LENGTHS.flatMap(([label, stem, per]) => ["mm", "px"].map((unit) => numberView({ label, name: `${stem}_${unit}${per}` }))),
    numberView({ label: "of the way", name: "progress_share", words: shareWords, explain: (result) => [title(`of the way to the finish: ${shareWords(result)}`)] }),
    numberView({ label: "ended by", name: "ended_by", words: (result) => (result.proposed === "failed" ? result.ended_by : "nothing"), explain: explainEnd }),
    numberView({ label: "notes", name: "notes", words: noteCount, explain: () => [title("What was noted")] }),
  ];
}

function shareWords(result) {
  return Number.isFinite(result.progress_share) ? `${fixed(100 * result.progress_share, 0)} %` : "not told";
}

function explainProposal(result) {
  return [title(`the footage proposes ${result.proposed}`), el("p", {}, reasonOf(result)), soft("A proposal, never the verdict: that is the judge's.")];
}

function explainEnd(result) {
  return [title(`ended by: ${result.proposed === "failed" ? result.ended_by : "nothing"}`), el("p", {}, ended(result.ended_by_why ?? "")), soft("Grip, balance and drive are three limits of one truck; tries that ended differently do not belong into one limit.")];
}

/** What a reading proposes, as one sentence beside the verdict; null where it proposes nothing. */
export function proposalSentence(result) {
  if (!result?.proposed) return null;
  const end = result.proposed === "failed" && result.ended_by ? ` What ended it: ${endWords(result)}.` : "";
  return `The footage proposes ${result.proposed}: ${reasonOf(result)}${end} The verdict is the judge's.`;
}

const reasonOf = (result) => ended(withoutOptions(result.reason ?? ""));
const ended = (text) => (/[.!?]$/.test(text) ? text : `${text}.`);

function endWords({ ended_by: by, ended_by_why: why }) {
  return why ? `${by} (${why})` : by;
}

/**
 * The whole of it for the panel.
 *
 * @param {any} result
 * @param {(at: {t_s: number, frame?: number|null}) => void} goTo
 * @returns {Node[]}
 */
export function climbNodes(result, goTo) {
  return [
    el("div", { class: "proposal" },
      el("p", {}, "The footage proposes ", el("strong", {}, result.proposed)),
      el("p", { class: "small" }, reasonOf(result)),
      result.proposed === "failed" && el("p", { class: "small" }, `What ended it: ${ended(endWords(result))}`),
      el("p", { class: "soft small" }, "The verdict is the judge's, and is not filled in.")),
    ...listOf("What was seen", factsOf(result), goTo),
    ...reverseNodes(result, goTo),
    ...figureNodes(result),
    ...boardNodes(result, goTo),
  ];
}

/** Everything with an instant, in order of time. */
function factsOf(result) {
  const isSaid = result.decided_t_s === result.finish_t_s || result.decided_t_s === result.tip_over_t_s;
  const found = [
    { what: "wheels over the finish line", t_s: result.finish_t_s, t_u95_s: result.finish_t_u95_s, frame: result.finish_frame, told: result.finish_point },
    { what: "front left the board for good", t_s: result.tip_over_t_s, t_u95_s: result.tip_over_t_u95_s, frame: result.tip_over_frame },
    { what: "decided here", t_s: isSaid ? null : result.decided_t_s, frame: result.decided_frame },
    ...(result.front_lifts ?? []).map((lift) => ({ what: "front off the board", t_s: lift.t_s, frame: lift.frame, told: `${fixed(lift.most_deg, 1)}° at most, ${lift.came_down ? "came down" : "did not come down"}` })),
    ...(result.went_back ?? []).map((back) => ({ what: back.how === "not told" ? "went back" : `${back.how} back`, t_s: back.t_s, frame: back.frame, told: lengthOf(back) })),
    ...(result.entered_patch ?? []).map((item) => ({ what: "something else entered the patch", t_s: item.t_s, frame: item.frame, told: "whether it touched the truck is for the judge" })),
    ...(result.stalls ?? []).filter((stall) => stall.commanded !== true).map((stall) => ({ what: "stall", t_s: stall.t_s, told: Number.isFinite(stall.dwell_s) ? `for ${seconds(stall.dwell_s)}` : "" })),
    ...(result.locked_slides ?? []).map((slide) => ({ what: "slid on locked wheels", t_s: slide.t_s, frame: slide.first_frame, told: lengthOf(slide) })),
  ];
  return found.filter(({ t_s }) => Number.isFinite(t_s)).sort((a, b) => a.t_s - b.t_s);
}

function lengthOf(item) {
  const unit = ["mm", "px"].find((name) => Number.isFinite(item[name]));
  return unit ? `${fixed(item[unit], 1)} ${unit}` : "";
}

function listOf(heading, facts, goTo) {
  return [
    el("h3", {}, heading),
    facts.length
      ? el("ol", { role: "list", class: "told-list" }, ...facts.map((fact) => factNode(fact, goTo)))
      : el("p", { class: "small" }, "Nothing that has an instant."),
  ];
}

function factNode(fact, goTo) {
  return el("li", { class: "told" },
    el("span", { class: "told-head" }, el("strong", {}, fact.what)),
    el("span", { class: "told-foot small" }, Number.isFinite(fact.t_s) && placeButton(fact, fact.what, goTo), fact.told && el("span", {}, fact.told)));
}

const seenWords = (seen) => (seen === null || seen === undefined ? "not told" : seen ? "yes" : "no");

/** The three facts that rule sheets call a reverse, each by itself. */
function reverseNodes({ mode, reverse }, goTo) {
  if (mode !== "descend" || !reverse) return [];
  const { wheel_turned_back: wheel, body_moved_back: body, driven } = reverse;
  const rows = [
    { what: "a wheel turned back", seen: wheel?.seen, told: wheel?.seen ? `wheel ${wheel.wheel}, ${fixed(wheel.deg, 1)}°` : "", t_s: wheel?.t_s },
    { what: "the body moved back", seen: body?.seen, told: body?.seen ? lengthOf(body) : "", t_s: body?.t_s },
    { what: "it was driven back", seen: driven?.seen, told: driven?.why ?? "" },
  ];
  return [
    el("h3", {}, "Reverse: three facts, each by itself"),
    el("ul", { role: "list", class: "told-list" }, ...rows.map((row) => el("li", { class: "told" },
      el("span", { class: "told-head" }, el("strong", {}, row.what), el("strong", { class: "told-value" }, seenWords(row.seen))),
      el("span", { class: "told-foot small" }, Number.isFinite(row.t_s) && placeButton(row, row.what, goTo), row.told && el("span", {}, row.told))))),
    el("p", { class: "soft small" }, "What of it counts as a reverse, the rule sheet and the judge say."),
  ];
}

function figureNodes(result) {
  const names = [
    [`run-up speed, ${result.run_up_at ?? ""}`.replace(/, $/, ""), "run_up", "_s"], ["progress", "progress", ""], ["slid back", "slide_back", ""], ["rolled back", "roll_back", ""],
    ["went back in all", "went_back", ""], ["speed down", "speed_down", "_s"], ["stopping distance", "stop_distance", ""],
    ["roll-off while held", "roll_off", ""], ["drift while held", "drift", "_s"],
  ];
  const lengths = names.flatMap(([what, stem, per]) => {
    const value = ["mm", "px"].map((unit) => measured(result, `${stem}_${unit}${per}`)).find((one) => one.value !== null);
    return value ? [[what, sentenceOf(value)]] : [];
  });
  const times = [["held for", "held_s"], ["stop to backing up", "delay_to_reverse_s"], ["wheel before body", "start_delay_s"]]
    .filter(([, name]) => Number.isFinite(result[name]))
    .map(([what, name]) => [what, Number.isFinite(measured(result, name).u95) ? sentenceOf(measured(result, name)) : seconds(result[name])]);
  const share = Number.isFinite(result.progress_share) ? [["of the way to the finish", shareWords(result)]] : [];
  const rows = [...lengths, ...share, ...times];
  return rows.length ? [el("h3", {}, "Figures"), figuresList(rows)] : [];
}

function figuresList(rows) {
  return el("dl", { class: "told-figures" }, ...rows.flatMap(([what, text]) => [el("dt", {}, what), el("dd", {}, text)]));
}

function boardNodes({ board_moved: board }, goTo) {
  if (!board) return [];
  const by = Number.isFinite(board.by_deg) ? `${fixed(board.by_deg, decimalsFor(board.by_u95_deg))} ± ${fixed(board.by_u95_deg ?? 0, decimalsFor(board.by_u95_deg))}°` : "";
  const state = board.moved === null || board.moved === undefined ? "not told" : board.moved ? "moved" : "stood still";
  const angles = ["start", "decided", "end"].map((name) => [name === "decided" ? "when it was decided" : `at the ${name}`, measured(board, `ramp_${name}_deg`)])
    .filter(([, value]) => value.value !== null).map(([what, value]) => [what, sentenceOf(value)]);
  return [
    el("h3", {}, "The board"),
    el("ul", { role: "list", class: "told-list" }, el("li", { class: "told" },
      el("span", { class: "told-head" }, el("strong", {}, state), by && el("span", {}, by)),
      board.moved && Number.isFinite(board.since_t_s) && el("span", { class: "told-foot small" }, placeButton({ t_s: board.since_t_s, frame: board.since_frame }, "board moved", goTo)))),
    angles.length ? figuresList(angles) : null,
  ].filter(Boolean);
}
