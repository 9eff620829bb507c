/**
 * Pairing by file name: a pattern says which part of a name is entry, test, try.
 */

import { button, el, freshId, put } from "./dom.js";
import { field } from "./form_parts.js";
import { recall, remember } from "./remembered.js";
import { attemptWords, makeDraft, pairedShas } from "./work_list.js";

const KEPT = "clipmark.pattern";
const FIRST = "{entry}_{test}_{try}";

/** @param {HTMLElement} place @param {import("./pairing_panel.js").Pairing} pairing */
export function byName(place, pairing) {
  const { ctx } = pairing;
  const pattern = field({
    name: "pattern",
    label: "Pattern",
    value: recall(KEPT) ?? FIRST,
    needed: true,
    hint: "Parts in braces: {entry}, {test}, {try}, {setup}, {step}. Everything else stands as it is written.",
  });
  const preview = el("div", { class: "pairing-preview", "aria-live": "polite" });

  let asked = 0; // the newest wish; answers to older ones are passed over

  async function look() {
    if (pattern.problem() !== null) return;
    const wanted = pattern.read();
    const mine = ++asked;
    try {
      const { pairs } = await ctx.api.post("api/pairings", { pattern: wanted });
      if (mine !== asked) return;
      remember(KEPT, wanted);
      showPairs(preview, pairs, pairing);
    } catch (error) {
      if (mine === asked) put(preview, el("p", { class: "bad" }, error.message));
    }
  }

  pattern.input.addEventListener("keydown", (event) => {
    if (/** @type {KeyboardEvent} */ (event).key === "Enter") look();
  });
  put(place, pattern.node, button("See what it gives", look), preview);
}

/** @param {HTMLElement} preview @param {any[]} pairs @param {import("./pairing_panel.js").Pairing} pairing */
function showPairs(preview, pairs, pairing) {
  const { ctx, work } = pairing;
  const taken = pairedShas(work);
  const rows = pairs.map((pair) => {
    const good = !pair.sentence;
    const id = freshId("pair");
    const tick = /** @type {HTMLInputElement} */ (
      el("input", {
        type: "checkbox",
        id,
        checked: good && !taken.has(pair.sha),
        disabled: !good,
        "aria-label": `Make an attempt of ${pair.name}`,
      })
    );
    const said = pair.sentence ?? (taken.has(pair.sha) ? "has an attempt already" : attemptWords(pair));
    const node = el(
      "tr",
      {},
      el("td", {}, tick),
      el("th", { scope: "row" }, el("label", { for: id }, pair.name)),
      el("td", {}, pair.entry ?? ""),
      el("td", {}, pair.test ?? ""),
      el("td", { class: "number" }, pair.step_deg ?? ""),
      el("td", { class: "number" }, pair.try_no ?? ""),
      el("td", {}, pair.setup ?? ""),
      el("td", { class: good ? "soft" : "bad" }, said),
    );
    return { pair, tick, node };
  });
  const make = button("Make the ticked attempts", run, { class: "main" });

  async function run() {
    const wanted = rows.filter((row) => row.tick.checked);
    make.disabled = true;
    let made = 0;
    try {
      for (const { pair, tick } of wanted) {
        const { entry, test, try_no, setup, step_deg } = pair;
        await makeDraft(ctx, pair.sha, { entry, test, try_no, setup, step_deg });
        pairing.paired(pair.sha);
        tick.checked = false;
        made += 1;
      }
      if (made > 0) pairing.finished(made);
    } catch (error) {
      ctx.notices.say(`${error.message} ${made} of ${wanted.length} were made.`, "refusal");
    } finally {
      make.disabled = false;
    }
  }

  const heads = ["Make", "File", "Entry", "Test", "Step °", "Try", "Set-up", "What it gives"];
  put(
    preview,
    pairs.length === 0
      ? el("p", {}, "There are no clips to pair.")
      : el(
          "div",
          { class: "table-place", tabindex: "0", role: "region", "aria-label": "What the pattern gives" },
          el(
            "table",
            {},
            el("thead", {}, el("tr", {}, heads.map((words) => el("th", { scope: "col" }, words)))),
            el("tbody", {}, rows.map((row) => row.node)),
          ),
        ),
    pairs.length > 0 && el("div", { class: "panel-foot" }, make),
  );
}
