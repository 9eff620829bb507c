/**
 * How a measured value is written: estimate and 95 % uncertainty at the digits they earn.
 *
 * Pure text; the popover that explains a number is in number_view.js. Nothing here is a result:
 * values, intervals and budgets come from the API.
 */

const MINUS = "\u2212";
const MOST_DECIMALS = 6;

/**
 * One value of a reading, by the naming rule of the API (`ramp_deg`, `ramp_u95_deg`, ...).
 *
 * @typedef {object} Measured
 * @property {string} name        key in the result, such as "ramp_deg"
 * @property {number|null} value  estimate
 * @property {number|null} u95    expanded uncertainty, 95 %
 * @property {number|null} low95
 * @property {number|null} high95
 * @property {string} unit        as shown: "°", "mm/s", "mm", "s", ""
 * @property {boolean} belowFloor the footage cannot tell it from noise
 */

const UNIT_TAILS = [
  ["_mm_s", "mm/s"],
  ["_px_s", "px/s"],
  ["_deg_s", "°/s"],
  ["_deg", "°"],
  ["_mm", "mm"],
  ["_px", "px"],
  ["_s", "s"],
];

/**
 * Decimals that show an uncertainty to two figures; negative when tens are rounded away.
 *
 * @param {number|null|undefined} u
 * @returns {number}
 */
export function decimalsFor(u) {
  if (!Number.isFinite(u) || u <= 0) {
    return 3;
  }
  // 0.0996 is written 0.10, so the rounded number decides, not the raw one.
  const rounded = Number(u.toPrecision(2));
  return Math.min(MOST_DECIMALS, 1 - Math.floor(Math.log10(rounded)));
}

/**
 * A number at so many decimals, with a true minus sign and never "-0".
 *
 * @param {number} value
 * @param {number} decimals
 * @returns {string}
 */
export function fixed(value, decimals) {
  let text;
  if (decimals >= 0) {
    text = value.toFixed(decimals);
  } else {
    const unit = 10 ** -decimals;
    text = String(Math.round(value / unit) * unit);
  }
  if (/^-[0.]*$/.test(text)) {
    text = text.slice(1);
  }
  return text.replace("-", MINUS);
}

/**
 * Unit of a value and its key's stem, from the key itself.
 *
 * @param {string} name
 * @returns {{stem: string, tail: string, unit: string}}
 */
function unitOf(name) {
  for (const [tail, unit] of UNIT_TAILS) {
    if (name.endsWith(tail)) {
      return { stem: name.slice(0, -tail.length), tail, unit };
    }
  }
  return { stem: name, tail: "", unit: "" };
}

/**
 * Take one value out of a result.
 *
 * @param {object|null} result  what the API answered
 * @param {string} name         such as "mean_speed_mm_s"
 * @returns {Measured}
 */
export function measured(result, name) {
  const { stem, tail, unit } = unitOf(name);
  const pick = (middle) => {
    const found = result?.[`${stem}${middle}${tail}`];
    return Number.isFinite(found) ? found : null;
  };
  return {
    name,
    value: pick(""),
    u95: pick("_u95"),
    low95: pick("_low95"),
    high95: pick("_high95"),
    unit,
    belowFloor: result?.[`${stem}_below_noise_floor`] === true,
  };
}

/** Whether the interval leans so far to one side that plus-minus would mislead. */
function lopsided({ value, low95, high95 }) {
  if (low95 === null || high95 === null) {
    return false;
  }
  const below = value - low95;
  const above = high95 - value;
  return Math.abs(above - below) > 0.25 * (above + below);
}

/**
 * A value in words and digits: "35.28 ± 0.29", "below the noise floor", "not known".
 *
 * @param {Measured} m
 * @returns {{number: string, spread: string, unit: string}}
 */
export function written(m) {
  if (m.value === null) {
    return { number: "not known", spread: "", unit: "" };
  }
  if (m.belowFloor) {
    const most = m.high95 === null ? "" : `at most ${fixed(m.high95, decimalsFor(m.u95))}`;
    return { number: "below the noise floor", spread: most, unit: most && m.unit };
  }
  if (m.u95 === null) {
    return { number: fixed(m.value, decimalsFor(null)), spread: "", unit: m.unit };
  }
  const places = decimalsFor(m.u95);
  return { number: fixed(m.value, places), spread: spreadOf(m, places), unit: m.unit };
}

function spreadOf(m, places) {
  if (!lopsided(m)) {
    return `± ${fixed(m.u95, places)}`;
  }
  // An estimate at the end of its interval, such as no roll-back: only the other end says more.
  return m.low95 >= m.value ? `(up to ${fixed(m.high95, places)})` : `(${fixed(m.low95, places)} to ${fixed(m.high95, places)})`;
}

/** A unit as it follows a number: close for degrees, after a gap for the rest. @param {string} unit */
export function unitAfter(unit) {
  return unit === "°" || unit === "" ? unit : ` ${unit}`;
}

/**
 * The same as one string, as for a label or a sentence.
 *
 * @param {Measured} m
 * @returns {string}
 */
export function sentenceOf(m) {
  const { number, spread, unit } = written(m);
  const tight = unitAfter(unit);
  if (!spread) {
    return `${number}${m.value === null ? "" : tight}`;
  }
  return m.belowFloor ? `${number}, ${spread}${tight}` : `${number} ${spread}${tight}`;
}

/**
 * The 95 % interval in words, or an empty text where there is none.
 *
 * @param {Measured} m
 * @returns {string}
 */
export function intervalOf(m) {
  if (m.low95 === null || m.high95 === null) {
    return "";
  }
  const places = decimalsFor(m.u95);
  return `95\u00a0% interval ${fixed(m.low95, places)} to ${fixed(m.high95, places)}${unitAfter(m.unit)}`;
}

/**
 * Rows of the budget behind a value, largest first, with each one's share of the variance.
 *
 * @param {object|null} result
 * @param {string} name
 * @returns {{source: string, kind: string, u: number, share: number, advice: string}[]}
 */
export function budgetRows(result, name) {
  const { tail } = unitOf(name);
  const rows = (result?.budget?.[name] ?? []).map((row) => ({
    source: String(row.source),
    kind: String(row.kind),
    u: Number(row[`u${tail}`] ?? 0),
    advice: String(row.advice ?? ""),
  }));
  const whole = rows.reduce((sum, row) => sum + row.u ** 2, 0);
  return rows
    .map((row) => ({ ...row, share: whole > 0 ? row.u ** 2 / whole : 0 }))
    .sort((a, b) => b.u - a.u);
}

/**
 * Where a reading came from, as pairs to be listed.
 *
 * @param {object|null} result
 * @returns {[string, string][]}
 */
export function provenance(result) {
  const pairs = [];
  const add = (label, value) => {
    if (value !== null && value !== undefined && value !== "") {
      pairs.push([label, String(value)]);
    }
  };
  if (result?.first_frame !== undefined) {
    add("frames", `${result.first_frame} to ${result.last_frame}`);
  } else {
    add("frame", result?.frame);
  }
  if (Number.isFinite(result?.t_s)) {
    add("time", seconds(result.t_s));
  }
  add("clip", result?.clip_sha256?.slice(0, 12));
  add("picture", result?.fingerprint?.slice(0, 12));
  add("draws", result?.draws);
  add("seed", result?.seed);
  add("software", result?.software ?? result?.versions?.clipmark);
  return pairs;
}

/** A call or a reason as people say it. @param {string} code as in the files, "out-of-time" */
export function spoken(code) {
  return code.replaceAll("-", " ");
}

/**
 * How long a stall lasted, with its uncertainty where it is known: "0.42 ± 0.03 s".
 *
 * @param {{dwell_s: number, dwell_u95_s?: number|null}} stall
 * @returns {string}
 */
export function dwellWords({ dwell_s, dwell_u95_s: u95 }) {
  if (!Number.isFinite(u95)) {
    return `${fixed(dwell_s, 2)} s`;
  }
  const places = Math.max(0, decimalsFor(u95));
  return `${fixed(dwell_s, places)} \u00b1 ${fixed(u95, places)} s`;
}

/**
 * An instant of a clip, to the millisecond: "6.867 s".
 *
 * @param {number|null|undefined} t_s
 * @returns {string}
 */
export function seconds(t_s) {
  return Number.isFinite(t_s) ? `${fixed(t_s, 3)} s` : "no time";
}
