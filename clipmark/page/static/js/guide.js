/**
 * The first visit: a short guided attempt on the sample event. Each step waits until the thing is
 * done, can be skipped, and keeps the page free to work in.
 */

import { makeCoach } from "./coach.js";
import { button, el, put } from "./dom.js";
import { isGiven } from "./plain.js";
import { measured, sentenceOf } from "./numbers.js";

const CLIP = "siskin-climb.mp4";
const LOOK_MS = 300;

/**
 * @typedef {object} GuideStep
 * @property {string} title
 * @property {string} what
 * @property {string | ((ctx: any) => string)} at selector of the part it speaks of now; the first that is
 *   there counts
 * @property {string} [free] selector of what else is pressed meanwhile, and must not be covered
 * @property {(ctx: any, began: any) => boolean} [done] without it, the step waits for "Go on"
 */

const FIRST = `dialog[open] [aria-label="New attempt on this clip: ${CLIP}"], [data-opens="clips"]`;
const PICKS = "#legend [data-pick]";

/** The mark in the list until it is picked; then the frame on which its points are placed. */
const placed = (name) => ({ store }) =>
  store.ui.tool === name ? "#stage" : `#legend [data-pick="${name}"]`;

/** @type {GuideStep[]} */
const STEPS = [
  {
    title: "Open a clip",
    what: `Press Clips, and begin a new attempt on ${CLIP}.`,
    at: FIRST,
    done: ({ store }) => store.clip !== null && store.key !== null,
  },
  {
    title: "Step through it",
    what: "Go one frame on with n, one back with b, or press next. Shift goes ten.",
    at: ".steps, #strip",
    done: ({ clock }, began) => clock.ordinal !== began.ordinal,
  },
  {
    title: "Say what is upright",
    what: "Press 2, or plumb line in the list of marks. Then place a point near both ends of the string that hangs at the left.",
    at: placed("plumb"),
    free: PICKS,
    done: ({ store }) => isGiven(store.draft.marks.plumb) || isGiven(store.draft.marks.level),
  },
  {
    title: "Mark the board",
    what: "Press 3, or ramp line. Place two points along the upper edge of the board, far apart. Roughly will do: the edge fit moves the line onto the edge.",
    at: placed("ramp"),
    free: PICKS,
    done: ({ store }) => isGiven(store.draft.marks.ramp),
  },
  {
    title: "Mark the hubs",
    what: "Press 4, or hubs. Place the middle of the rear wheel, then of the front wheel.",
    at: placed("hubs"),
    free: PICKS,
    done: ({ store }) => isGiven(store.draft.marks.hubs) || isGiven(store.draft.marks.chassis),
  },
  {
    title: "Declare the view",
    what: "A reading needs to know how the camera looked at the board. Press View, sizes, and choose the lens file harrier-wide.json; then press Done.",
    at: ({ store }) =>
      store.draft.marks.lens
        ? 'dialog[data-panel="declared"] .declared-end .main, #legend .legend-declare'
        : 'dialog[data-panel="declared"] [data-field="lens"], #legend .legend-declare',
    done: ({ store, panels }) => Boolean(store.draft.marks.lens) && panels.openName !== "declared",
  },
  {
    title: "See the angle",
    what: "The bar on the ladder is the measured angle with its 95 % interval: steps it covers cannot be told apart by this footage. Press the number to see what it rests on.",
    at: "#ladder",
  },
  {
    title: "Say from where to where",
    what: "Go to the frame in which the truck sets off, and press f, or here under from; where the try ends, press t, or here under to. A crawl is measured between the two.",
    at: "#slip .span-cells",
    free: ".steps, #strip",
    done: ({ store }) => isGiven(store.draft.marks.span),
  },
  {
    title: "Fill in the slip",
    what: "Give the entry Siskin, the test board ladder, and your verdict. The verdict is yours: software only proposes.",
    at: "#slip",
    done: ({ store }) => {
      const { entry, test, verdict } = store.draft.details;
      return Boolean(entry && test && verdict);
    },
  },
  {
    title: "Sign and save",
    what: "Put your name down and sign. What will be written is shown once more. Only when it is saved is it in the journal, as one revision.",
    at: "dialog[open] .sign-end, #slip .slip-sign",
    free: "dialog[open] .sign-by",
    done: ({ store }) => store.revision !== null,
  },
];

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  const asked = new URLSearchParams(location.search).has("guide");
  ctx.actions.add({
    name: "open-guide",
    label: "The guided attempt on sample footage",
    group: "Panels",
    run: () => begin(ctx),
  });
  const stop = ctx.store.subscribe(() => {
    const { event } = ctx.store;
    if (!event) return;
    stop();
    if (event.practice && asked) startGuide(ctx);
    else if (event.first_visit && !event.practice) offer(ctx);
  }, ["event"]);
}

/** Where the guide is: on this page when it is the practice event, else over there. */
function begin(ctx) {
  if (ctx.store.event?.practice) startGuide(ctx);
  else location.href = "practice/?guide";
}

/** Offer the guide to a first visitor; either answer is kept, so that it is asked once. */
function offer(ctx) {
  const answered = async (then) => {
    away();
    try {
      await ctx.api.post("api/practice-hint/done");
    } catch (error) {
      ctx.notices.say(error.message, "refusal");
      return;
    }
    then?.();
  };
  const away = ctx.notices.offer("First time here? A guided attempt takes five minutes.", [
    { label: "Show me", run: () => answered(() => (location.href = "practice/?guide")) },
    { label: "Not now", run: () => answered() },
  ]);
}

let isGoing = false;

/** @param {any} ctx */
function startGuide(ctx) {
  if (isGoing) return;
  isGoing = true;
  const { store, clock } = ctx;
  const coach = makeCoach(/** @type {HTMLElement} */ (document.getElementById("notices")));
  let at = 0;
  let began = snapshot(ctx);

  function leave() {
    isGoing = false;
    stopStore();
    stopClock?.();
    clearInterval(lookSoon);
    spoken.remove();
    coach.away();
  }

  /** @param {number} index @param {boolean} [back] what is done already is passed over going on only */
  function go(index, back = false) {
    at = index;
    began = snapshot(ctx);
    while (!back && STEPS[at]?.done?.(ctx, began)) at += 1;
    if (at >= STEPS.length) {
      finish();
      return;
    }
    const step = STEPS[at];
    coach.pointAt(() => ({
      target: firstThere(typeof step.at === "function" ? step.at(ctx) : step.at),
      free: step.free ? [...document.querySelectorAll(step.free)] : [],
    }));
    put(
      coach.card,
      el("p", { class: "coach-count small soft" }, `Guided attempt, ${at + 1} of ${STEPS.length}`),
      el("h2", { class: "coach-title" }, step.title),
      el("p", {}, step.what),
      el(
        "div",
        { class: "row" },
        step.done ? button("Skip this", () => go(at + 1)) : button("Go on", () => go(at + 1), { class: "main" }),
        at > 0 && button("Back", () => go(at - 1, true), { class: "plain" }),
        button("Leave the guide", leave, { class: "plain" }),
      ),
    );
    speak(step);
  }

  /** The card is not focused, to leave the keys to the page; so what it says is spoken. */
  function speak(step) {
    spoken.textContent = `${step.title}. ${step.what}`;
  }

  function finish() {
    const angle = measured(store.readings.angle?.result ?? null, "ramp_deg");
    coach.pointAt(() => ({ target: null, free: [] }));
    put(
      coach.card,
      el("h2", { class: "coach-title" }, "That is a whole attempt"),
      el(
        "p",
        {},
        angle.value === null
          ? "Nothing is signed yet; all marks are kept, and the row of what is missing leads on."
          : `You measured the board at ${sentenceOf(angle)}. The interval is part of the number.`,
      ),
      el("p", {}, "What you did here was practice, and goes when clipmark is ended."),
      el(
        "div",
        { class: "row" },
        button("Done", leave, { class: "main" }),
        el("a", { class: "button", href: "../" }, "To the event"),
      ),
    );
    spoken.textContent = "That is a whole attempt.";
  }

  function look() {
    const step = STEPS[at];
    if (step?.done?.(ctx, began)) go(at + 1);
  }

  const spoken = el("p", { class: "unseen", role: "status" });
  coach.card.after(spoken);
  const stopStore = store.subscribe(look);
  const lookSoon = setInterval(look, LOOK_MS); // a dialog closed is not told by the store
  const stopClock = clock.subscribe(look);
  go(0);
}

/** @param {any} ctx */
function snapshot({ clock }) {
  return { ordinal: clock.ordinal };
}

/** @param {string} selectors separated by commas, the earlier the better */
function firstThere(selectors) {
  for (const selector of selectors.split(",")) {
    const found = document.querySelector(selector.trim());
    if (found) return found;
  }
  return null;
}
