/**
 * The calls that were set down, on the slip: each with its time, which goes there, and a way out.
 */

import { button, el, put } from "./dom.js";
import { testOf } from "./missing_rules.js";
import { spoken, seconds } from "./numbers.js";

/**
 * @param {any} ctx
 * @returns {{node: HTMLElement, update: () => void}}
 */
export function mountCallsList({ store, clock }) {
  // While the clip runs nothing may move: the row comes and goes only when it stands.
  const hasRoom = () =>
    store.draft.calls.length > 0 || store.ui.armed || Object.keys(testOf(store.draft, store.event)?.calls ?? {}).length > 0;

  const list = el("ol", { role: "list", class: "slip-calls-list" });
  const node = el("div", { class: "slip-calls", hidden: true, role: "group", "aria-label": "Calls set down" }, el("span", { class: "label" }, "calls"), list);
  let drawn = null;

  function remove(index) {
    store.change(`take back: ${spoken(store.draft.calls[index].call)}`, (draft) => {
      draft.calls.splice(index, 1);
    });
    const buttons = list.querySelectorAll(".slip-call-away");
    const next = buttons[Math.min(index, buttons.length - 1)] ?? document.querySelector("#calls button");
    /** @type {HTMLElement|null} */ (next)?.focus();
  }

  function update() {
    if (!clock.playing) {
      node.hidden = !hasRoom();
    }
    const { calls } = store.draft;
    if (calls === drawn) {
      return;
    }
    drawn = calls;
    put(
      list,
      calls.map((call, index) => {
        const words = spoken(call.call);
        const when = seconds(call.t_s);
        const go = () => (call.frame === null ? clock.gotoTime(call.t_s) : clock.goto(call.frame));
        return el(
          "li",
          { class: "slip-call" },
          button(`${words} ${when}`, go, { class: "slip-call-go", "aria-label": `${words} ${when}: go there` }),
          button("\u00d7", () => remove(index), { class: "slip-call-away", "aria-label": `Take back ${words} at ${when}` }),
        );
      }),
    );
  }
  clock.subscribe(() => clock.playing || update());
  return { node, update };
}
