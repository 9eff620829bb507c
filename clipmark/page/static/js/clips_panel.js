/**
 * The panel of clips: taking footage in, what each clip is, and the attempts on it.
 */

import { clipCard } from "./clip_card.js";
import { button, el, put } from "./dom.js";
import { field } from "./form_parts.js";
import * as pairing from "./pairing_panel.js";
import { Uploads } from "./uploads.js";
import { acceptDrops, pickers, uploadList } from "./uploads_view.js";
import { attemptWords, loadWork, onClip, pairedShas } from "./work_list.js";

const POLL_MS = 1000;
const SIFT_FROM = 12; // so many clips are too many to look through

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  const uploads = new Uploads((upload) => {
    if (upload.state === "done" && !upload.sentence) ctx.notices.say(takenIn(upload), "success");
    else if (ctx.panels.openName === "clips") return; // there it is listed
    else ctx.notices.say(upload.sentence, upload.state === "done" ? "info" : "refusal", "event");
  });
  acceptDrops(ctx, uploads);
  pairing.mount(root, ctx);
  ctx.panels.add({
    name: "clips",
    title: "Clips of this event",
    size: "wide",
    build: (panel) => build(panel, ctx, uploads),
  });
  ctx.actions.add({
    name: "open-clips",
    label: "Open a clip: take footage in, begin an attempt",
    group: "Panels",
    key: "Shift+o",
    run: () => ctx.panels.open("clips"),
  });
  window.addEventListener("beforeunload", (event) => {
    if (uploads.busy) event.preventDefault();
  });
}

/** Another clip of that name may be here: then it has another one now. @param {import("./uploads.js").Upload} upload */
function takenIn({ name, clip }) {
  return clip && clip.name !== name ? `${name} is taken in, as ${clip.name}.` : `${name} is taken in.`;
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx @param {Uploads} uploads */
function build(panel, ctx, uploads) {
  const list = el("ul", { role: "list", class: "clip-list" });
  const state = el("p", { class: "soft", role: "status" }, "Looking for clips \u2026");
  const further = el("div", {});
  const find = field({ name: "find", label: "Only those with", hint: "Part of a name, or of an entry or test that was run on it." });
  const onTheWay = uploadList(uploads);
  let open = true;
  let timer = 0;
  let taken = 0;
  let asked = 0; // the newest wish; answers to older ones are passed over
  /** Cards by clip, made anew only when something of them changed. @type {Map<string, {text: string, node: HTMLElement, words: string}>} */
  let cards = new Map();

  const ways = makeWays(ctx, refresh);

  async function refresh() {
    clearTimeout(timer);
    const mine = ++asked;
    let work;
    try {
      work = await loadWork(ctx);
    } catch (error) {
      state.textContent = error.message;
      return;
    }
    if (!open || mine !== asked) return;
    draw(work);
    if (work.clips.some((clip) => clip.cache?.state === "building")) {
      timer = window.setTimeout(refresh, POLL_MS);
    }
  }

  function draw(work) {
    state.textContent = headline(work);
    drawFurther(further, ctx, work);
    const before = cards;
    cards = new Map(work.clips.map((clip) => [clip.sha, cardFor(clip, work, before.get(clip.sha))]));
    const nodes = [...cards.values()].map(({ node }) => node);
    sift();
    if (nodes.length === list.children.length && nodes.every((node, at) => node === list.children[at])) return;
    const kept = focusPlace(list);
    put(list, nodes);
    kept();
  }

  /** Of many clips, those whose name or attempts hold what is looked for. */
  function sift() {
    const wanted = find.read().toLowerCase();
    find.node.hidden = wanted === "" && cards.size < SIFT_FROM;
    for (const { node, words } of cards.values()) node.hidden = !words.includes(wanted);
  }

  /** The card there is, while it says all there is to say or something is being typed in it. */
  function cardFor(clip, work, old) {
    const { draft, key } = ctx.store;
    const { attempts, drafts } = onClip(work, clip.sha);
    const text = JSON.stringify([clip, attempts, drafts, draft.clip, draft.further_clips, key]);
    if (old && (old.text === text || writingIn(old.node))) return old;
    const node = clipCard(clip, work, draft, ways, key !== null);
    if (old?.node.querySelector("details[open]")) node.querySelector("details")?.setAttribute("open", "");
    const words = [clip.name, ...[...attempts, ...drafts].map(attemptWords)].join(" ").toLowerCase();
    return { text, node, words };
  }

  put(
    panel.body,
    pickers(ctx, uploads),
    onTheWay.node,
    el(
      "div",
      { class: "row" },
      button("Pair clips with entries", () => ctx.panels.open("pairing")),
      button("Attempt without a clip (called only)", () => calledOnly(ctx)),
    ),
    further,
    find.node,
    state,
    list,
  );
  find.input.addEventListener("input", sift);
  find.node.hidden = true; // until there are many
  const stopNews = ctx.store.subscribe(refresh, ["event", "saved", "draft"]);
  const stopUploads = uploads.subscribe(() => {
    const done = uploads.list.filter((item) => item.state === "done").length;
    if (done !== taken) refresh();
    taken = done;
  });
  panel.onClose(() => {
    open = false;
    clearTimeout(timer);
    stopNews();
    stopUploads();
    onTheWay.stop();
  });
  refresh();
}

/** @param {any} ctx @param {() => void} refresh @returns {import("./clip_card.js").CardWays} */
function makeWays(ctx, refresh) {
  const { api, notices, opener, panels, store } = ctx;
  const leave = async (work) => {
    panels.close();
    await work;
  };
  const guarded = (run) => async (...given) => {
    try {
      await run(...given);
    } catch (error) {
      notices.say(error.message, "refusal");
    }
  };
  return {
    look: guarded(async (sha) => {
      await api.post(`api/clips/${sha}/open`);
      refresh();
    }),
    newAttempt: (sha) => leave(opener.newAttempt({ clip: sha })),
    openAttempt: (id) => leave(opener.openAttempt(id)),
    openDraft: (key) => leave(opener.openDraft(key)),
    useForThis: (sha) => {
      store.change("clip of this attempt", (draft) => {
        draft.clip = sha;
        draft.marks.frame = 0;
      });
      panels.close();
    },
    addToThis: (sha, as, offset_s) => {
      store.change("add a clip", (draft) => {
        draft.further_clips.push({ clip: sha, as, offset_s });
      });
      notices.say("The clip is added to this attempt.", "success");
    },
    lookFor: (sha) => panels.open("spans", { sha }),
    hide: (sha) => panels.open("hidden", { sha }),
    stopCheck: guarded(async (sha) => {
      await api.post(`api/clips/${sha}/check/stop`);
      refresh();
    }),
  };
}

/** @param {any} ctx */
async function calledOnly(ctx) {
  ctx.panels.close();
  await ctx.opener.newAttempt({ clip: null });
  ctx.store.setUi({ calledOnly: true });
}

/** @param {any} work */
function headline(work) {
  if (work.clips.length === 0) return "There are no clips in this event yet.";
  const paired = pairedShas(work);
  const without = work.clips.filter((clip) => !paired.has(clip.sha)).length;
  const count = work.clips.length === 1 ? "1 clip" : `${work.clips.length} clips`;
  return without === 0 ? `${count}, each with an attempt.` : `${count}, ${without} without an attempt yet.`;
}

/** Clips that the attempt in hand has beside its first one. */
function drawFurther(node, ctx, work) {
  const { draft } = ctx.store;
  const nameOf = (sha) => work.clips.find((clip) => clip.sha === sha)?.name ?? sha.slice(0, 12);
  node.hidden = draft.further_clips.length === 0;
  put(
    node,
    el("h3", {}, "This attempt also has"),
    el(
      "ul",
      { role: "list" },
      draft.further_clips.map((item, at) =>
        el(
          "li",
          { class: "row" },
          el("span", {}, `${nameOf(item.clip)}, ${item.as === "continues" ? "which continues it" : "a second camera"}`),
          el(
            "span",
            { class: "soft" },
            item.offset_s === null ? "offset not known" : `starts ${item.offset_s} s after the first clip`,
          ),
          button("Take out", () => {
            ctx.store.change("take a clip out", (copy) => {
              copy.further_clips.splice(at, 1);
            });
            node.closest("dialog")?.querySelector("h2")?.focus(); // the button goes with its row
          }, { "aria-label": `Take out: ${nameOf(item.clip)}` }),
        ),
      ),
    ),
  );
}

/** Whether something is being filled in there. @param {HTMLElement} list */
function writingIn(list) {
  return list.contains(document.activeElement) && document.activeElement?.matches("input, select");
}

const cardOf = (node) => node.closest("[data-sha]")?.dataset.sha;

/** Remember which button of the list has the focus; the answer puts it back after redrawing. */
function focusPlace(list) {
  const active = document.activeElement;
  if (!list.contains(active)) return () => {};
  const sha = cardOf(active);
  const name = active.getAttribute("aria-label") ?? active.textContent;
  return () => {
    const card = [...list.children].find((item) => item.dataset.sha === sha);
    const same = [...(card?.querySelectorAll("button, summary, input, select") ?? [])];
    const found = same.find((item) => (item.getAttribute("aria-label") ?? item.textContent) === name);
    /** @type {HTMLElement | undefined} */ (found ?? same[0])?.focus();
  };
}
