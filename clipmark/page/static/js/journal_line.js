/**
 * At the foot of the attempts: whether the journal is whole, and its head, to be made known.
 */

import { button, el, put } from "./dom.js";
import { asSentence } from "./plain.js";

const POLL_MS = 500;

/**
 * Watch the check that is made when the page starts: a journal that is not whole is said at once.
 *
 * @param {any} ctx
 */
export async function watchJournal(ctx) {
  try {
    const told = await settled(ctx.api);
    const faults = told.check?.findings.filter((item) => item.fault) ?? [];
    if (told.error) ctx.notices.say(asSentence(told.error), "refusal", "event");
    else if (!told.check.whole) {
      const more = faults.length > 1 ? ` and ${faults.length - 1} more` : "";
      ctx.notices.say(`${told.check.sentence} ${faults[0]?.sentence ?? ""}${more}. See the foot of Attempts.`, "refusal", "event");
    }
  } catch (error) {
    ctx.notices.say(error.message, "refusal", "event");
  }
}

/** @param {any} api */
async function settled(api) {
  for (;;) {
    const told = await api.get("api/journal/check");
    if (!told.running) return told;
    await new Promise((resolve) => setTimeout(resolve, POLL_MS));
  }
}

/** The foot of the attempts. @param {any} ctx @returns {HTMLElement} */
export function journalLine(ctx) {
  const said = el("div", { role: "status", class: "journal-said" }, "Checking the journal \u2026");
  const place = el("section", { class: "journal-line", "aria-label": "The journal" }, said,
    el("div", { class: "row" },
      button("Check it again", () => run(false), { class: "plain" }),
      button("With the contents of all clips", () => run(true), { class: "plain" })));

  async function show() {
    try {
      const told = await settled(ctx.api);
      if (place.isConnected) put(said, ...words(told));
    } catch (error) {
      put(said, el("p", { class: "bad" }, error.message));
    }
  }

  async function run(clips) {
    put(said, clips ? "Reading every clip \u2026" : "Checking the journal \u2026");
    try {
      await ctx.api.post("api/journal/check", { clips });
      await show();
    } catch (error) {
      put(said, el("p", { class: "bad" }, error.message));
    }
  }

  queueMicrotask(() => run(false)); // what was saved since the page began is in it too
  return place;
}

/** @param {{error: string | null, check: any}} told */
function words({ error, check }) {
  if (error) return [el("p", { class: "bad" }, asSentence(error))];
  const found = check.findings.map((item) => el("li", { class: item.fault ? "bad" : "soft" }, item.sentence));
  return [
    el("p", { class: check.whole ? "soft" : "bad" }, check.sentence),
    found.length ? el("ul", {}, found) : null,
    check.head && check.whole
      ? el("p", { class: "soft" }, "Its head is ", el("code", { class: "figures head-hash", tabindex: "0" }, check.head),
        ". Read it out or post it at the end of the day: whoever knows it can tell later that nothing before it was changed.")
      : null,
  ];
}
