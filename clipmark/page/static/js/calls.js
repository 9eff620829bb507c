/**
 * The judge's calls: one key each while armed or while the clip runs, timed by the frame shown, or
 * by a watch where there is no clip. Buttons here; the list is on the slip (calls_list.js) and on
 * the strip.
 */

import { button, el, put } from "./dom.js";
import { keyText } from "./keys.js";
import { testOf } from "./missing_rules.js";
import { spoken, fixed, seconds } from "./numbers.js";
import { Watch } from "./watch.js";

const USUAL = ["touch", "reverse", "rollover", "marker", "reposition", "out-of-time"];
const MOST = 10; // one for each digit; the tenth is 0
const WATCH_SHOWN_MS = 100;

/**
 * Calls of a test, by the rule sheet; all that can be called where it names none.
 *
 * @param {object|null} test
 * @param {object|null} event
 * @returns {string[]}
 */
function callsOf(test, event) {
  const named = Object.keys(test?.calls ?? {});
  const all = named.length ? named : event?.call_names?.length ? event.call_names : USUAL;
  return all.slice(0, MOST);
}

/**
 * Fill the region.
 *
 * @param {HTMLElement} root
 * @param {any} ctx
 */
export function mount(root, ctx) {
  const { store, clock, actions, notices } = ctx;
  const said = el("span", { class: "unseen", role: "status" });
  const arm = button("", () => actions.run("calls-armed"), { class: "calls-arm", "aria-pressed": "false" });
  const grid = el("div", { class: "calls-grid", role: "group", "aria-label": "Set down a call" });
  const watch = new Watch();
  const shown = el("span", { class: "watch-time figures" });
  const back = button("Set back", () => setBack(), { class: "plain", "aria-label": "Set the watch back to nought" });
  const dial = el("div", { class: "watch", role: "group", "aria-label": "Watch" }, shown, back);
  put(root, el("div", { class: "calls-sheet" }, arm, dial, grid, said));
  let drawn = "";

  const names = () => callsOf(testOf(store.draft, store.event), store.event);
  // A watch that was stopped still says when: a judge stops the clock for a call.
  const isOn = () => store.ui.armed || clock.playing || (!store.draft.clip && watch.used);

  /** The instant of a call: of the frame shown, or by the watch where there is no clip. */
  function instant() {
    if (store.draft.clip) {
      const t_s = clock.tOf(clock.ordinal);
      return t_s === null ? null : { t_s, frame: clock.ordinal };
    }
    return watch.used ? { t_s: watch.t_s, frame: null } : null;
  }

  function setBack() {
    watch.reset();
    store.setUi({ armed: false });
    showTime();
  }

  function showTime() {
    shown.textContent = `${fixed(watch.t_s, 1)} s`;
  }

  /** The watch goes while calls are on, of an attempt that has no clip. */
  function followWatch() {
    dial.hidden = Boolean(store.draft.clip);
    if (!dial.hidden && store.ui.armed) watch.start();
    else if (watch.running) watch.stop();
    if (dial.hidden) {
      return; // asked at every frame of a clip that runs
    }
    back.hidden = watch.running || !watch.used;
    showTime();
  }

  function call(index) {
    const name = names()[index];
    if (name === undefined) {
      notices.brief(`There is no call ${index + 1} in this test.`); // and no mark is picked in its place
      return;
    }
    const at = instant();
    if (at === null) {
      notices.say(
        store.draft.clip
          ? "This clip has no times, so a call cannot be timed; write it in the note."
          : "The watch has not been started, so a call cannot be timed; start it when the attempt starts.",
        "refusal",
      );
      return;
    }
    store.change(`call: ${spoken(name)}`, (draft) => {
      draft.calls.push({ call: name, ...at, note: "" });
      draft.calls.sort((a, b) => a.t_s - b.t_s);
    });
    said.textContent = `${spoken(name)} at ${seconds(at.t_s)}`;
    flash(grid.children[index]);
  }

  actions.add({
    name: "calls-armed",
    label: "Calls on or off: digits set down calls instead of picking marks",
    group: "Calls",
    key: "c",
    run: () => store.setUi({ armed: !store.ui.armed }),
  });
  for (let index = 0; index < MOST; index += 1) {
    actions.add({
      name: `call-${index + 1}`,
      label: index < USUAL.length ? `Call ${index + 1}, such as ${spoken(USUAL[index])}` : `Call ${index + 1}`,
      group: "Calls",
      key: String((index + 1) % MOST),
      when: isOn,
      run: () => call(index),
    });
  }

  function update() {
    const on = isOn();
    root.dataset.armed = on ? "yes" : "no";
    followWatch();
    arm.setAttribute("aria-pressed", String(store.draft.clip ? on : watch.running));
    const text = store.draft.clip ? armWords() : watchWords();
    const keyOf = (action) => keyText(ctx.keys.of(action)[0] ?? "");
    const all = names().map((name, index) => ({ name, key: keyOf(`call-${index + 1}`) }));
    const wanted = JSON.stringify([all, text, keyOf("calls-armed"), testOf(store.draft, store.event)?.calls ?? null]);
    if (wanted === drawn) {
      return;
    }
    drawn = wanted;
    put(arm, el("kbd", { "aria-hidden": "true" }, keyOf("calls-armed")), text);
    const points = testOf(store.draft, store.event)?.calls ?? {};
    put(
      grid,
      all.map(({ name }, index) =>
        button("", () => call(index), {
          class: "calls-press",
          title: name in points ? `${fixed(points[name], 0)} points` : "",
          data: { call: name },
        }),
      ),
    );
    all.forEach(({ name, key }, index) => put(grid.children[index], el("kbd", { "aria-hidden": "true" }, key), spoken(name)));
  }

  const watchWords = () => (watch.running ? "Stop the watch" : watch.used ? "Let the watch go on" : "Start the watch");
  const armWords = () => (store.ui.armed ? "Calls on" : clock.playing ? "Calls on: running" : "Calls off");

  store.subscribe(() => {
    watch.reset(); // it was of another attempt
    if (store.ui.armed && !store.draft.clip) store.setUi({ armed: false });
  }, ["loaded"]);
  store.subscribe(update, ["draft", "details", "loaded", "event", "ui", "clip"]);
  clock.subscribe(update);
  setInterval(() => watch.running && showTime(), WATCH_SHOWN_MS);
  update();
}

/** Show for a moment that a call was taken. */
function flash(node) {
  if (!node) {
    return;
  }
  node.dataset.taken = "yes";
  setTimeout(() => delete node.dataset.taken, 350);
}
