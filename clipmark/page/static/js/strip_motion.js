/**
 * What a crawl reading says of phases and wheels, in the form that the strip draws. Pure.
 */

const NOTHING = []; // one and the same, so that nothing new is not taken for news
const OF_TURN = /^wheel([1-9]\d*)_deg_s$/;

/** How a phase moved, where it stands out from rolling and being driven. */
export function phaseWords({ wheels, moved_by: by }) {
  const words = [];
  if (wheels === "locked" || wheels === "spinning") words.push(`wheels ${wheels}`);
  if (by === "sliding" || by === "rolling freely") words.push(by);
  return words.join(", ");
}

/**
 * Phases of a reading; none where there is only one, which names nothing.
 *
 * @param {object|null} result
 * @returns {{t_s: number, until_s: number, name: string, told: string}[]}
 */
export function phasesOf(result) {
  const found = (result?.phases ?? []).filter(({ t_s, until_s }) => until_s > t_s);
  return found.length < 2 ? NOTHING : found.map((phase) => ({ t_s: phase.t_s, until_s: phase.until_s, name: phase.phase, told: phaseWords(phase) }));
}

/**
 * Stalls of a reading: a stop that was asked for is a phase, and no stall.
 *
 * @param {object|null} result
 * @returns {object[]|null} null where they cannot be told, or nothing is measured
 */
export function stallsOf(result) {
  return result?.stalls?.filter((stall) => stall.commanded !== true) ?? null;
}

/** Lines of wheels made already, by trace. @type {WeakMap<object, object[]>} */
const made = new WeakMap();

/**
 * Lines of the wheels over the trace: speed of their surface where their diameter is known; else how
 * they turn, scaled to the body's speed, and said so.
 *
 * @param {object|null} trace
 * @returns {{number: number, values: (number|null)[], label: string}[]}
 */
export function wheelsOf(trace) {
  if (!trace) {
    return NOTHING;
  }
  if (!made.has(trace)) made.set(trace, linesOf(trace));
  return made.get(trace);
}

function linesOf(trace) {
  return Object.keys(trace).flatMap((name) => {
    const number = Number(OF_TURN.exec(name)?.[1]);
    const surface = trace[`wheel${number}_surface_mm_s`];
    if (!number) {
      return [];
    }
    if (surface?.some(Number.isFinite)) {
      return [{ number, values: surface, label: `wheel ${number}` }];
    }
    const turning = trace[name];
    const factor = greatest(trace.v_mm_s) / greatest(turning);
    const values = turning.map((value) => (Number.isFinite(value) ? value * factor : null));
    return turning.some(Number.isFinite) ? [{ number, values, label: `wheel ${number} (own scale)` }] : [];
  });
}

function greatest(values) {
  return values.reduce((most, value) => Math.max(most, Math.abs(value ?? 0)), 0) || 1;
}
