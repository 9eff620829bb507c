/**
 * Who ran what: entry, test, step, try, set-up, surface, set angle. The form of a slate.
 */

import { el } from "./dom.js";
import { field, readAll } from "./form_parts.js";
import { nextTry } from "./work_list.js";

/**
 * @typedef {object} DetailsForm
 * @property {HTMLElement} node
 * @property {import("./form_parts.js").Field[]} fields
 * @property {() => (Record<string, any> | null)} read null while something is wrong or missing
 * @property {(details: Record<string, any>) => void} write
 * @property {() => boolean} started whether entry or test is given
 */

/**
 * @param {any} event answer of `GET api/event`
 * @param {() => any[]} known signed attempts, for the next try
 * @param {{short?: boolean}} [options] short: without set-up, surface and set angle
 * @returns {DetailsForm}
 */
export function detailsForm(event, known, options = {}) {
  const entry = chosen("entry", "Entry", event.entries.map((item) => [item.name, item.name]));
  const test = chosen("test", "Test", event.tests.map((item) => [item.id, testWords(item)]));
  const step = field({ name: "step_deg", label: "Step", kind: "number", unit: "°", least: 0, most: 180, offers: [] });
  const tryNo = field({ name: "try_no", label: "Try", kind: "count", least: 1, most: 999 });
  const setup = field({ name: "setup", label: "Set-up", offers: [] });
  const surface = field({ name: "surface", label: "Surface" });
  const setAngle = field({ name: "set_start_deg", label: "Set angle", kind: "number", unit: "°", least: -90, most: 180 });
  const all = options.short
    ? [entry, test, step, tryNo]
    : [entry, test, step, tryNo, setup, surface, setAngle];
  let tryGiven = false;
  tryNo.input.addEventListener("input", () => {
    tryGiven = tryNo.read() !== null;
  });

  /** What follows from entry and test: set-ups, steps, surface, and which try comes next. */
  function follow() {
    const theEntry = event.entries.find((item) => item.name === entry.read());
    const theTest = event.tests.find((item) => item.id === test.read());
    setup.setOffers(theEntry?.setups ?? []);
    if (theEntry?.setups?.length === 1 && !setup.read()) setup.write(theEntry.setups[0]);
    const steps = theTest?.steps_deg ?? [];
    step.setOffers(steps.map(String));
    step.node.hidden = Boolean(theTest) && theTest.kind !== "ladder";
    if (step.node.hidden) step.write(null);
    if (theTest?.surface && !surface.read()) surface.write(theTest.surface);
    if (!tryGiven) {
      tryNo.write(nextTry(known(), { entry: entry.read(), test: test.read(), step_deg: stepGiven() }));
    }
  }

  function stepGiven() {
    const value = step.read();
    return Number.isFinite(value) ? value : null;
  }

  for (const item of [entry, test, step]) item.input.addEventListener("change", follow);
  follow();
  return {
    node: el("div", { class: "details-form" }, ...all.map((item) => item.node)),
    fields: all,
    read: () => readAll(all),
    write: (details) => {
      tryGiven = details.try_no != null;
      for (const item of all) if (item.name in details) item.write(details[item.name]);
      follow();
    },
    started: () => Boolean(entry.read()) && Boolean(test.read()),
  };
}

/**
 * A choice from the rule sheet; free text where the rule sheet names none yet.
 * @param {string} name
 * @param {string} label
 * @param {Array<[string, string]>} listed
 */
function chosen(name, label, listed) {
  if (listed.length === 0) return field({ name, label, needed: true });
  return field({ name, label, kind: "choice", needed: true, choices: [[null, "choose"], ...listed] });
}

/** @param {{id: string, kind: string}} test */
function testWords(test) {
  return test.kind ? `${test.id} (${test.kind})` : test.id;
}
