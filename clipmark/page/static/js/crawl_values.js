/**
 * The numbers of a crawl beside the strip: each with its interval, or "not told" and why.
 */

import { el } from "./dom.js";
import { numberView } from "./number_view.js";
import { dwellWords, fixed, intervalOf, measured, seconds, sentenceOf } from "./numbers.js";
import { phaseWords, stallsOf } from "./strip_motion.js";

const NOT_TOLD = "not told";

/** Numbers whose value may be missing, and what a reading needs for them. */
const MAY_BE_MISSING = [
  ["start jump", "start_jump", "Peak speed of the first half second over the steady speed after it; told where a start from rest lies in the span."],
  ["start delay", "start_delay_s", "From the wheel's first turn to the body's first motion; told where a wheel is followed through a start from rest."],
  ["stopping way", "stop_distance_mm", "From the beginning of the slowing to rest; told where the truck comes to rest within the span."],
  ["roll-off", "roll_off_mm", "Travel while it is held, ahead positive; told where a stand lies between two moves."],
];

/**
 * The views, in the order they stand.
 *
 * @param {() => {name: string|null, grades: boolean}} testNow  test on the slip, and whether it has grades
 */
export function valueViews(testNow) {
  return [
    numberView({ label: "mean speed", name: "mean_speed_mm_s" }),
    numberView({ label: "ripple", name: "ripple" }),
    graded(testNow),
    numberView({ label: "stalls", name: "stalls", words: stallCount, explain: stallList }),
    numberView({ label: "slowest held", name: "slowest_speed_mm_s" }),
    numberView({ label: "rolled back", name: "rollback_mm" }),
    numberView({ label: "travel", name: "distance_mm" }),
    ...MAY_BE_MISSING.map(([label, name, needs]) => mayBeMissing(label, name, needs)),
    numberView({ label: "slip", name: "slip", words: slipWords, explain: slipList }),
    numberView({ label: "phases", name: "phases", words: phaseNames, explain: phaseList }),
    numberView({ label: "notes", name: "notes", words: noteCount, explain: () => [title("What was noted")] }),
  ];
}

const title = (text) => el("p", { class: "number-card-title" }, text);
const soft = (text) => el("p", { class: "soft" }, text);

function mayBeMissing(label, name, needs) {
  const words = (result) => (measured(result, name).value === null ? NOT_TOLD : null);
  const explain = (result) => {
    const value = measured(result, name);
    return value.value === null ? [title(`${label}: ${NOT_TOLD}`), soft(needs)] : [title(`${label}: ${sentenceOf(value)}`), soft(intervalOf(value)), soft(needs)];
  };
  return numberView({ label, name, words, explain });
}

/** The grade: only where the test on the slip has a table of grades, or the reading has one. */
function graded(testNow) {
  const isOther = (grade) => grade && grade.test !== testNow().name;
  const words = ({ grade }) => {
    if (!grade) return "when it is measured again";
    if (isOther(grade)) return `of the test ${grade.test}`;
    return Number.isFinite(grade.grade) ? plain(grade.grade) + sureness(grade) : NOT_TOLD;
  };
  const explain = ({ grade }) => {
    if (!grade) return [title("grade"), soft("The rule sheet grades this test; the reading is older than that. Measure again, or sign.")];
    const other = isOther(grade) ? [el("p", { class: "warn" }, `Given for the test ${grade.test}; measure again to grade it for this one.`)] : [];
    return [title(`grade, by ${grade.measure.replaceAll("_", " ")}`), ...other, el("p", {}, grade.said), ...probabilities(grade)];
  };
  const view = numberView({ label: "grade", name: "grade", words, explain });
  const update = (result, how, why) => {
    view.update(result, how, why);
    view.node.hidden ||= !result.grade && !testNow().grades;
  };
  return { node: view.node, update };
}

function sureness({ grade, p }) {
  const share = p?.[plain(grade)];
  return Number.isFinite(share) ? ` (${percent(share)})` : "";
}

function probabilities({ p }) {
  const rows = Object.entries(p ?? {}).sort(([a], [b]) => Number(b) - Number(a));
  return rows.length ? [el("ul", {}, ...rows.map(([grade, share]) => el("li", {}, `grade ${grade}: ${percent(share)}`)))] : [];
}

/** Never 0 % or 100 % of what is only nearly so. */
function percent(share) {
  if (share > 0 && share < 0.01) return "less than 1\u00a0%";
  if (share < 1 && share > 0.99) return "more than 99\u00a0%";
  return `${fixed(100 * share, 0)}\u00a0%`;
}

const plain = (number) => String(number);

function stallCount(result) {
  return String(stallsOf(result)?.length ?? "cannot be told");
}

function stallList(result) {
  const stalls = stallsOf(result) ?? [];
  const limit = Number.isFinite(result.stall_limit_mm_s) ? `Slower than ${fixed(result.stall_limit_mm_s, 1)} mm/s counts as standing.` : "";
  return [
    title(`stalls: ${stallCount(result)}`),
    soft(limit),
    el("ol", {}, ...stalls.map((stall) => el("li", {}, `at ${seconds(stall.t_s)}, for ${dwellWords(stall)}`))),
  ];
}

/** Driving or braking slip of one wheel as it can be told, or null. */
function slipOf(item) {
  for (const kind of ["driving", "braking"]) {
    const value = measured(item, kind);
    if (value.value !== null) return { kind, value };
  }
  return null;
}

function slipWords({ slip }) {
  const rows = (slip ?? []).map((item) => ({ wheel: item.wheel, found: slipOf(item) }));
  if (!rows.some(({ found }) => found)) {
    return NOT_TOLD;
  }
  const told = ({ kind, value }) => sentenceOf(value) + (kind === "braking" ? " braking" : "");
  return rows.map(({ wheel, found }) => `wheel ${wheel} ${found ? told(found) : NOT_TOLD}`).join(", ");
}

function slipList(result) {
  const rows = (result.slip ?? []).map((item) => {
    const found = slipOf(item);
    const value = found ? `${found.kind} ${sentenceOf(found.value)}, ${intervalOf(found.value)}` : NOT_TOLD;
    const known = Number.isFinite(item.knowable_above_mm_s) ? ` (in single moments above ${fixed(item.knowable_above_mm_s, 1)} mm/s)` : "";
    return el("li", {}, `wheel ${item.wheel}: ${value}${known}`);
  });
  const form = result.slip?.[0]?.form;
  return [
    title(`slip over the whole way: ${rows.length ? "" : NOT_TOLD}`.replace(/: $/, "")),
    rows.length ? el("ul", {}, ...rows) : soft("Told where wheels are marked and their diameter is given."),
    form ? soft(`${form[0].toUpperCase()}${form.slice(1)}; v is the body's speed, omega r that of the wheel's surface.`) : null,
  ].filter(Boolean);
}

function phaseNames({ phases }) {
  return phases?.length ? phases.map((phase) => phase.phase).join(", ") : NOT_TOLD;
}

const OF_A_PHASE = [
  ["", "distance_mm"], ["at", "mean_speed_mm_s"], ["start jump", "start_jump"], ["start delay", "start_delay_s"],
  ["stopping way", "stop_distance_mm"], ["roll-off", "roll_off_mm"], ["drift", "drift_mm_s"],
];

function phaseList({ phases }) {
  const rows = (phases ?? []).map((phase) => {
    const figures = OF_A_PHASE.map(([label, name]) => ({ label, value: measured(phase, name) }))
      .filter(({ value }) => value.value !== null)
      .map(({ label, value }) => `${label} ${sentenceOf(value)}`.trim());
    const why = phase.why ? ` (${phase.why})` : "";
    const how = [phaseWords(phase), phase.moved_by === NOT_TOLD ? `what moved it is not told${why}` : ""].filter(Boolean).join("; ");
    return el("li", {}, `${phase.phase}, ${seconds(phase.t_s)} to ${seconds(phase.until_s)}: ${[...figures, how].filter(Boolean).join("; ")}`);
  });
  return [title("phases"), rows.length ? el("ol", {}, ...rows) : soft("Told where the truck moves in more than one way within the span.")];
}

/** How many warnings the reading carries; they are listed on the card. */
function noteCount(result) {
  return result.warnings?.length ? String(result.warnings.length) : "none";
}
