/**
 * What a run slip still needs, in the order one fills it in.
 *
 * Pure: draft and event in, items out. An item names where it is put right: a field of the slip, a
 * mark to pick, or an action.
 */

/**
 * @typedef {object} Item
 * @property {string} id
 * @property {string} label      what is missing, as on the card
 * @property {boolean} optional  may stay open; said so on the button
 * @property {boolean} stops     the server cannot take the attempt without it
 * @property {{field?: string, mark?: string, action?: string, panel?: string}} way
 * @property {string} hint       one sentence, for the tooltip
 * @property {string} [wrong]    what is wrong with what is written, rather than missing
 */

import { motionOf, needsOf } from "./motions.js";
import { isGiven } from "./plain.js";

const ANGLE_KINDS = new Set(["ladder", "reading"]);

/** The rule sheet's test that a draft names, or null. */
export function testOf(draft, event) {
  return event?.tests?.find((test) => test.id === draft?.details?.test) ?? null;
}

/** Whether the draft is declared to have no clip: only the judge's calls stand. */
export function isCalledOnly(draft, ui) {
  return !draft.clip && (Boolean(draft.attempt) || ui?.calledOnly === true);
}

const hasMark = (marks, name) => isGiven(marks?.[name]);

/** Whether the footage's view is declared: lens, sheet, or how squarely the camera looks. */
function viewDeclared(marks) {
  return (
    hasMark(marks, "lens") ||
    hasMark(marks, "view_angle") ||
    hasMark(marks, "square_within") ||
    (hasMark(marks, "sheet") && hasMark(marks, "sheet_size"))
  );
}

/**
 * Everything that is still missing, required things and optional ones, in filling order.
 *
 * @param {object} draft
 * @param {object} event
 * @param {object} ui      UI state: `by` who signs, `calledOnly`
 * @param {number|null} [frames] how many the clip has; of one frame no span can be taken
 * @returns {Item[]}
 */
export function missingItems(draft, event, ui, frames = null) {
  const items = [];
  const ask = (id, label, way, more = {}) => {
    items.push({ id, label, way, optional: false, stops: false, hint: "", ...more });
  };
  const { details } = draft;
  for (const [field, { label, mark, error }] of Object.entries(ui?.wrong ?? {})) {
    ask(`wrong-${field}`, `${label}: put right`, mark ? { mark } : { field }, { stops: true, wrong: error, hint: error });
  }
  if (!isGiven(details.entry)) {
    ask("entry", "entry", { field: "entry" }, { stops: true, hint: "Which truck, as entered." });
  }
  if (!isGiven(details.test)) {
    ask("test", "test", { field: "test" }, { stops: true, hint: "Which test of the event it ran." });
  }
  if (!draft.clip && !isCalledOnly(draft, ui)) {
    ask("clip", "clip", { panel: "clips" }, { hint: "Choose the footage of this attempt." });
    ask("called-only", "or called only", { action: "called-only" }, {
      optional: true,
      hint: "There is no footage: what was called is all there is.",
    });
  }
  if (draft.clip) {
    askForMarks(draft, event, ask, frames);
  }
  askForWhatIsCounted(details, testOf(draft, event), ask);
  if (!isGiven(details.verdict)) {
    ask("verdict", "verdict", { field: "verdict" }, { hint: "Cleared, failed or void: a person says it." });
  }
  if ((details.verdict === "failed" || details.verdict === "void") && !isGiven(details.reason)) {
    ask("reason", "reason", { field: "reason" }, { hint: `Why it was ${details.verdict}.` });
  }
  if (!isGiven(ui?.by)) {
    ask("by", "signature", { field: "by" }, { stops: true, hint: "Who marks and signs." });
  }
  return items;
}

/** What a course or a graded test is scored by. */
function askForWhatIsCounted(details, test, ask) {
  if (test?.kind === "course" && !isGiven(details.progress)) {
    ask("progress", "progress", { field: "progress" }, { hint: "Gates or sections passed, as the rule sheet counts." });
  }
  if (test?.kind !== "graded") {
    return;
  }
  const grades = (test.grades ?? []).map(([grade]) => grade);
  if (!isGiven(details.grade)) {
    ask("grade", "grade", { field: "grade" }, { hint: "By the rule sheet's scale." });
  } else if (grades.length && !grades.includes(details.grade)) {
    ask("grade", "grade of the rule sheet", { field: "grade" }, { hint: `The rule sheet has ${grades.join(", ")}, and ${details.grade} is none of them.` });
  }
}

function askForMarks(draft, event, ask, frames) {
  const { marks } = draft;
  const test = testOf(draft, event);
  const motion = motionOf(draft, event);
  if (motion === "tilt") {
    askForMotion("tilt", marks, ask);
    askForView(marks, ask, frames);
    return;
  }
  const ofAngle = test === null || ANGLE_KINDS.has(test.kind);
  const ofCrawl = test?.kind === "smoothness";
  const angleOptional = { optional: !ofAngle && !hasMark(marks, "ramp") };
  if (!hasMark(marks, "level") && !hasMark(marks, "plumb")) {
    ask("level", "level or plumb", { mark: "level" }, {
      ...angleOptional,
      hint: "A line known to be horizontal, or one that hangs.",
    });
  }
  if (!hasMark(marks, "ramp")) {
    ask("ramp", "ramp line", { mark: "ramp" }, { ...angleOptional, hint: "Along the edge of the board." });
  }
  if (!hasMark(marks, "hubs") && !hasMark(marks, "chassis")) {
    ask("hubs", "hubs or rail", { mark: "hubs" }, { optional: true, hint: "For the angle of the chassis." });
  }
  if (ofCrawl) {
    if (!hasMark(marks, "patch")) {
      ask("patch", "body patch", { mark: "patch" }, { hint: "A textured part of the body, to be followed." });
    }
    askForScale(marks, ask);
  }
  if (marks.motion === "climb") {
    askForMotion("climb", marks, ask, ["level", "ramp", "hubs"]); // asked for already
  }
  askForView(marks, ask, frames);
}

/** What measuring a motion needs, and what would be told with more; a scale's own length apart. */
function askForMotion(motion, marks, ask, but = []) {
  for (const { id, label, way, sentence, blocks } of needsOf(motion, marks)) {
    if (!but.includes(id)) ask(id, label, way, { optional: !blocks && id !== "level", hint: sentence });
  }
}

function askForView(marks, ask, frames) {
  if (!viewDeclared(marks)) {
    ask("view", "view", { field: "declared" }, {
      hint: "A lens file, a sheet, or how squarely the camera looks; without it 5° is assumed.",
    });
  }
  if (!hasMark(marks, "span") && frames !== 1) {
    const way = { action: "from-here" };
    ask("span", "from and to", way, { hint: "First and last frame of the attempt." });
  }
}

function askForScale(marks, ask) {
  const sheet = hasMark(marks, "sheet");
  const sizedWheels = Boolean(marks.wheels?.length) && hasMark(marks, "wheel_mm"); // a scale as well
  if (!sheet && !sizedWheels && !hasMark(marks, "scale")) {
    ask("scale", "scale or sheet", { mark: "scale" }, { hint: "Two points a known length apart, a sheet, or wheels of known diameter." });
  }
  if (!sheet && hasMark(marks, "scale") && !hasMark(marks, "scale_mm")) {
    ask("scale_mm", "length of the scale", { field: "declared" }, { hint: "How long the scale mark is, in mm." });
  }
  if (sheet && !hasMark(marks, "sheet_size")) {
    ask("sheet_size", "size of the sheet", { field: "declared" }, { hint: "Width and height of the sheet, in mm." });
  }
}

/** Items that keep the slip from being "ready": those not optional. */
export function openItems(items) {
  return items.filter((item) => !item.optional);
}
