/**
 * The judge's calls: one key each while armed or while the clip runs, timed by the frame shown.
 * Buttons here; the list is on the slip (calls_list.js) and on the strip.
 */

import { button, el, put } from "./dom.js";
import { keyText } from "./keys.js";
import { testOf } from "./missing_rules.js";
import { callWords, fixed, seconds } from "./numbers.js";

const USUAL = ["touch", "reverse", "rollover", "marker", "reposition", "out-of-time"];
const MOST = 9;

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
  put(root, el("div", { class: "calls-sheet" }, arm, grid, said));
  let drawn = "";
  let armedAt_ms = performance.now();

  const names = () => callsOf(testOf(store.draft, store.event), store.event);
  const isOn = () => store.ui.armed || clock.playing;

  /** The instant of a call: of the frame shown, or by the watch where there is no clip. */
  function instant() {
    if (store.draft.clip) {
      const t_s = clock.tOf(clock.ordinal);
      return t_s === null ? null : { t_s, frame: clock.ordinal };
    }
    return { t_s: Math.round(performance.now() - armedAt_ms) / 1000, frame: null };
  }

  function call(index) {
    const name = names()[index];
    if (name === undefined) {
      return;
    }
    const at = instant();
    if (at === null) {
      notices.say("This clip has no times, so a call cannot be timed; write it in the note.", "refusal");
      return;
    }
    store.change(`call: ${callWords(name)}`, (draft) => {
      draft.calls.push({ call: name, ...at, note: "" });
      draft.calls.sort((a, b) => a.t_s - b.t_s);
    });
    said.textContent = `${callWords(name)} at ${seconds(at.t_s)}`;
    flash(grid.children[index]);
  }

  actions.add({
    name: "calls-armed",
    label: "Calls on or off: digits set down calls instead of picking marks",
    group: "Calls",
    key: "c",
    run: () => {
      armedAt_ms = performance.now();
      store.setUi({ armed: !store.ui.armed });
    },
  });
  for (let index = 0; index < MOST; index += 1) {
    actions.add({
      name: `call-${index + 1}`,
      label: index < USUAL.length ? `Call ${index + 1}, such as ${callWords(USUAL[index])}` : `Call ${index + 1}`,
      group: "Calls",
      key: String(index + 1),
      when: () => isOn() && index < names().length,
      run: () => call(index),
    });
  }

  function update() {
    const on = isOn();
    root.dataset.armed = on ? "yes" : "no";
    arm.setAttribute("aria-pressed", String(on));
    const watch = !store.draft.clip && on;
    const text = store.ui.armed ? (watch ? "Calls on, timed by watch" : "Calls on") : clock.playing ? "Calls on: running" : "Calls off";
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
    all.forEach(({ name, key }, index) => put(grid.children[index], el("kbd", { "aria-hidden": "true" }, key), callWords(name)));
  }

  store.subscribe(update, ["details", "loaded", "event", "ui", "clip"]);
  clock.subscribe(update);
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
