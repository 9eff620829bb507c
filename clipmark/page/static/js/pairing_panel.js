/**
 * Pairing clips with entries, tests and tries, in three ways: by form, by a slate shown in the
 * first seconds, by a pattern of file names. All of them end in drafts.
 */

import { el, freshId, put } from "./dom.js";
import { byForm } from "./pairing_form.js";
import { byName } from "./pairing_names.js";
import { bySlate } from "./pairing_slate.js";
import { loadWork, pairedShas } from "./work_list.js";

/**
 * @typedef {object} Pairing what each way gets
 * @property {any} ctx
 * @property {import("./work_list.js").Work} work
 * @property {any[]} clips readable ones, those without an attempt first
 * @property {(sha: string) => void} paired a draft was made on this clip
 * @property {(count: number) => void} finished
 * @property {import("./panel.js").Panel} panel
 */

const WAYS = [
  { name: "form", label: "By form", what: "One row for each clip.", show: byForm },
  { name: "slate", label: "By slate", what: "Read what is held up in the first seconds, and type it.", show: bySlate },
  { name: "names", label: "By file name", what: "The names of the files say who ran what.", show: byName },
];

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  ctx.panels.add({
    name: "pairing",
    title: "Pair clips with entries",
    size: "full",
    build: (panel, options) => build(panel, ctx, options?.way ?? "form"),
  });
  ctx.actions.add({
    name: "open-pairing",
    label: "Pair clips with entries, tests and tries",
    group: "Panels",
    key: "p",
    run: () => ctx.panels.open("pairing"),
  });
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx @param {string} first */
async function build(panel, ctx, first) {
  const place = el("div", { class: "pairing-way" });
  const told = el("p", { class: "soft small" });
  let stop = () => {};
  let isClosed = false;
  panel.onClose(() => {
    isClosed = true;
    stop();
  });
  const choose = (way) => {
    stop();
    panel.holdBack(() => null);
    told.textContent = way.what;
    stop = way.show(place, pairing) ?? (() => {});
  };
  const choice = wayChoice(first, choose);
  put(panel.body, choice, told, place);
  put(place, el("p", { class: "soft" }, "Looking for clips \u2026"));
  let work;
  try {
    work = await loadWork(ctx);
  } catch (error) {
    put(place, el("p", { class: "bad", role: "alert" }, error.message));
    return;
  }
  if (isClosed) return;
  const pairing = {
    ctx,
    work,
    panel,
    clips: inOrder(work),
    paired: (sha) => {
      work.drafts.push({ key: "", attempt: null, clip: sha, entry: "", test: "" });
    },
    finished: (count) => {
      const words = count === 1 ? "1 attempt is" : `${count} attempts are`;
      ctx.notices.say(`${words} listed as not signed yet.`, "success");
      ctx.panels.open("attempts");
    },
  };
  if (pairing.clips.length === 0) {
    put(place, el("p", {}, "There is no clip to pair; take footage in first."));
    return;
  }
  choose(WAYS.find((way) => way.name === first) ?? WAYS[0]);
}

/** @param {string} first @param {(way: any) => void} choose */
function wayChoice(first, choose) {
  const group = freshId("way");
  return el(
    "fieldset",
    { class: "choice-row" },
    el("legend", { class: "unseen" }, "How to pair"),
    WAYS.map((way) => {
      const id = freshId("way");
      const radio = el("input", {
        type: "radio",
        id,
        name: group,
        checked: way.name === first,
        on: { change: () => choose(way) },
      });
      return el("span", { class: "choice" }, radio, el("label", { for: id }, way.label));
    }),
  );
}

/** Readable clips; those that nobody has paired yet come first. @param {any} work */
function inOrder(work) {
  const taken = pairedShas(work);
  const readable = work.clips.filter((clip) => clip.readable);
  return [
    ...readable.filter((clip) => !taken.has(clip.sha)),
    ...readable.filter((clip) => taken.has(clip.sha)),
  ];
}
