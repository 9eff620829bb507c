/**
 * Which motion of an attempt is followed, what measuring it needs, and on which terms. Pure.
 */

import { isGiven } from "./plain.js";

/** @typedef {"crawl"|"climb"|"tilt"} Motion */

/** @type {Motion[]} */
export const MOTIONS = ["crawl", "climb", "tilt"];

/** What each is called: alone, with "the", as a heading. */
export const MOTION_WORDS = {
  crawl: { name: "crawl", the: "the crawl", title: "Crawl" },
  climb: { name: "climb", the: "the climb", title: "Climb" },
  tilt: { name: "side tilt", the: "the side tilt", title: "Side tilt" },
};

/** What a climb is called by its mode. */
export function wordsOf(motion, marks) {
  return motion === "climb" && marks.mode === "descend" ? { name: "descent", the: "the descent", title: "Descent" } : MOTION_WORDS[motion];
}

/**
 * The motion that is offered: the one chosen, else the one that has a reading, else by what is
 * marked and by the kind of the test on the slip.
 *
 * @param {import("./store.js").Draft} draft
 * @param {any} event
 * @param {Record<string, any>} [readings]
 * @returns {Motion}
 */
export function motionOf({ marks, details }, event, readings = {}) {
  if (marks.motion) return marks.motion;
  const had = MOTIONS.find((name) => readings[name]?.result);
  if (had) return had;
  if (isGiven(marks.platform)) return "tilt";
  const test = event?.tests?.find((item) => item.id === details?.test);
  if (test?.kind === "reading" && test.measure === "tilt_deg") return "tilt";
  return test?.kind === "ladder" ? "climb" : "crawl";
}

/**
 * @typedef {object} Need
 * @property {string} id
 * @property {string} label     in few words
 * @property {{mark?: string, term?: string}} way
 * @property {string} sentence  what to do, or what is not told without it
 * @property {boolean} blocks   nothing is measured without it
 */

/**
 * What is not marked or said yet: first what keeps from measuring, then what would be told with it.
 *
 * @param {Motion} motion
 * @param {Record<string, any>} marks
 * @returns {Need[]}
 */
export function needsOf(motion, marks) {
  const found = { tilt: tiltNeeds, climb: climbNeeds, crawl: () => [] }[motion](marks);
  return found.filter(Boolean);
}

/** Those without which nothing is measured. */
export const blockersOf = (motion, marks) => needsOf(motion, marks).filter((need) => need.blocks);

const has = (marks, name) => isGiven(marks[name]);
const hasLevel = (marks) => has(marks, "level") || has(marks, "plumb");
const hasScale = (marks) => (has(marks, "scale") && has(marks, "scale_mm")) || (has(marks, "sheet") && has(marks, "sheet_size"));

function tiltNeeds(marks) {
  const tyres = marks.uphill_tyres?.length ?? 0;
  return [
    !has(marks, "platform") && mark("platform", "platform line", "Mark two places along the platform's edge, far apart.", true),
    !has(marks, "chassis") && mark("chassis", "chassis rail", "Mark both ends of a straight edge of the truck, across it.", true),
    has(marks, "join") && !has(marks, "track_mm") && {
      id: "track", label: "track", way: { term: "track_mm" }, blocks: true,
      sentence: "Joining both sides needs the track: give the distance between the outer edges of the tyres' contact, or join none.",
    },
    !hasLevel(marks) && mark("level", "level or plumb", "Without a level or plumb line only turns are told, no angles.", false),
    tyres === 0 && mark("tyre", "uphill tyre", "Without an uphill tyre no gap is told, and no wheel that leaves.", false),
    tyres === 1 && mark("tyre", "other uphill tyre", "With one uphill tyre the first wheel off and both off are not told apart.", false),
    !hasScale(marks) && mark("scale", "scale or sheet", "Without a scale mark with its length, or a sheet, gaps are told in px.", false),
  ];
}

function climbNeeds(marks) {
  const { wheels } = marks;
  const apart = isGiven(marks.patch_frame) && marks.patch_frame !== (marks.frame ?? 0) && has(marks, "patch");
  return [
    !has(marks, "patch") && mark("patch", "body patch", "Mark two corners across a textured part of the body, to be followed.", true),
    !has(marks, "ramp") && mark("ramp", "ramp line", "Mark two places along the edge of the board; its lower end counts as the foot.", true),
    apart && {
      id: "one-frame", label: "patch on the same frame", way: { mark: "patch" }, blocks: true,
      sentence: `The body patch is on frame ${marks.patch_frame}, the ramp line on frame ${marks.frame ?? 0}; a climb is measured from marks of one frame.`,
    },
    marks.mode !== "descend" && !has(marks, "finish") && mark("finish", "finish line", "Without a finish line cleared cannot be proposed.", false),
    !has(marks, "hubs") && !(wheels?.length > 1) && mark("hubs", "hubs", "Without hubs, or two wheels, no finish is told, and of the chassis only how it turned.", false),
    !wheels?.length && has(marks, "wheel_mm") && mark("wheel", "wheel", "A wheel diameter is given, but no wheel is marked: mark one, or leave the diameter out.", true),
    !wheels?.length && !has(marks, "wheel_mm") && mark("wheel", "wheel", "Without a wheel slip is not measured, and what ended the attempt cannot be told.", false),
    wheels?.length > 0 && !has(marks, "wheel_mm") && {
      id: "wheel_mm", label: "wheel diameter", way: { mark: "wheel" }, blocks: false,
      sentence: "Without the wheels' diameter slip is told against their own rolling on the way up.",
    },
    !hasLevel(marks) && mark("level", "level or plumb", "Without a level or plumb line the board's angle is not told.", false),
    !hasScale(marks) && mark("scale", "scale or sheet", "Without a scale mark with its length, or a sheet, lengths are px and shares.", false),
  ];
}

function mark(name, label, sentence, blocks) {
  return { id: name, label, way: { mark: name }, sentence, blocks };
}

/** The terms of a motion as they are set, for whoever signs them; empty where all are the usual. */
export function termWords(motion, marks) {
  const said = {
    tilt: [
      ["gap_mm", (value) => `gap of ${value} mm`],
      ["track_mm", (value) => `track ${value} mm`],
      ["track_u_mm", (value) => `good to ${value} mm (u)`],
      ["low_side", (value) => `${value} side low`],
      ["join", (value) => `joined with ${value}`],
    ],
    climb: [
      ["mode", (value) => (value === "descend" ? "down, stop and back up" : "up the board")],
      ["give_up_s", (value) => `over after ${value} s without progress`],
    ],
    crawl: [],
  }[motion];
  return said.filter(([name]) => isGiven(marks[name])).map(([name, words]) => words(marks[name])).join(", ");
}
