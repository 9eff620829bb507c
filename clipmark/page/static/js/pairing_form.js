/**
 * Pairing by form: one row for each clip, with a still of it.
 */

import { clipStill } from "./clip_card.js";
import { detailsForm } from "./details_form.js";
import { button, el, put } from "./dom.js";
import { attemptWords, makeDraft, onClip } from "./work_list.js";

/** @param {HTMLElement} place @param {import("./pairing_panel.js").Pairing} pairing */
export function byForm(place, pairing) {
  const { ctx, work, clips, panel } = pairing;
  const rows = clips.map((clip) => formRow(clip, pairing));
  const say = el("p", { role: "status", class: "small" });
  const makeAll = button("Make the attempts of all filled rows", run, { class: "main" });

  const isStarted = () => rows.some((row) => row.form.started());
  panel.holdBack(() => (isStarted() ? "Rows are filled in of which no attempt is made yet." : null));

  async function run() {
    const filled = rows.filter((row) => row.form.started());
    if (filled.length === 0) {
      say.textContent = "No row is filled in yet: give entry and test of at least one clip.";
      return;
    }
    // Every row says what is wrong with it before any draft is made.
    const read = filled.map((row) => row.form.read());
    if (read.some((details) => details === null)) return;
    makeAll.disabled = true;
    let made = 0;
    try {
      for (const [at, row] of filled.entries()) {
        await makeDraft(ctx, row.clip.sha, read[at]);
        pairing.paired(row.clip.sha);
        row.form.write({ entry: null, test: null, step_deg: null, try_no: null });
        made += 1;
      }
      pairing.finished(made);
    } catch (error) {
      makeAll.disabled = false;
      ctx.notices.say(`${error.message} ${made} of ${filled.length} were made.`, "refusal");
    }
  }

  put(
    place,
    work.clips.length === 0 ? el("p", {}, "There are no clips yet.") : null,
    el("ul", { role: "list", class: "pairing-rows" }, rows.map((row) => row.node)),
    el("div", { class: "panel-foot" }, makeAll, say),
  );
}

/** @param {any} clip @param {import("./pairing_panel.js").Pairing} pairing */
function formRow(clip, pairing) {
  const { ctx, work } = pairing;
  const form = detailsForm(ctx.store.event, () => work.attempts, { short: true });
  const { attempts, drafts } = onClip(work, clip.sha);
  const has = [...attempts, ...drafts].map(attemptWords);
  const node = el(
    "li",
    { class: "pairing-row", data: { sha: clip.sha } },
    clipStill(clip, `First frame of ${clip.name}`),
    el(
      "div",
      { role: "group", "aria-label": clip.name },
      el("h3", {}, clip.name),
      has.length > 0 && el("p", { class: "small soft" }, `Has: ${has.join("; ")}.`),
      form.node,
    ),
  );
  return { clip, form, node };
}
