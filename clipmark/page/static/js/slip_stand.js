/**
 * The stand on the slip: chosen, compared with the clip, and what was found said beside it.
 */

import { el, freshId, put } from "./dom.js";
import { asSentence } from "./plain.js";
import { compareStand, takeStand } from "./stand_check.js";

const MORE = "\u0000more";

/**
 * The cell of the stand.
 *
 * @param {any} ctx
 * @param {(name: string, label: HTMLElement, ...content: Node[]) => HTMLElement} cell
 * @returns {{node: HTMLElement, update: () => void}}
 */
export function standCell(ctx, cell) {
  const { store, panels } = ctx;
  const id = freshId("slip-stand");
  const state = el("span", { class: "stand-state", role: "status" });
  const select = /** @type {HTMLSelectElement} */ (
    el("select", { id, data: { field: "stand" }, on: { change: chosen } })
  );
  let offered = "";

  function chosen() {
    const stand = select.value;
    if (stand === MORE) {
      select.value = store.draft.stand ?? "";
      panels.open("stands");
    } else if (stand === "") {
      takeStand(ctx, null);
    } else {
      use(stand);
    }
  }

  /** Take a stand: with a clip its marks come over, once it is known that the camera stands there. */
  async function use(stand) {
    const { key } = store;
    const found = store.draft.clip ? await compare(ctx, stand) : null;
    if (store.key !== key || found === false) {
      update();
      return;
    }
    const isTaken = takeStand(ctx, stand, found);
    if (!isTaken) update();
    const words = [!isTaken && found.sentence, found?.done].filter(Boolean).map(asSentence).join(" ");
    if (words) ctx.notices.say(words, isTaken ? "info" : "refusal");
  }

  store.subscribe(() => {
    const { stand, clip } = store.draft;
    if (stand && clip && store.clip?.facts && store.event?.stands?.some((item) => item.id === stand)) {
      compare(ctx, stand);
    }
  }, ["loaded"]);

  function update() {
    const stands = store.event?.stands ?? [];
    const known = stands.map((stand) => [stand.id, stand.body?.name || stand.id]);
    const wanted = JSON.stringify(known);
    if (wanted !== offered) {
      offered = wanted;
      put(
        select,
        [["", "none"], ...known, [MORE, "stands \u2026"]].map(([value, text]) => el("option", { value }, text)),
      );
    }
    select.value = store.draft.stand ?? "";
    const check = store.ui.standCheck;
    const holds = check && store.draft.stand && check.stand === store.draft.stand && check.clip === store.draft.clip;
    const text = holds ? check.sentence : "";
    if (state.textContent !== text) {
      state.textContent = text;
      state.title = text;
    }
    state.dataset.state = holds ? check.state : "";
  }
  return { node: cell("stand", el("label", { for: id }, "stand ", state), select), update };
}

/** What was found; false when it was refused, which is said, or another attempt was opened. */
async function compare(ctx, stand) {
  try {
    return (await compareStand(ctx, stand)) ?? false;
  } catch (error) {
    ctx.notices.say(error.message, "refusal");
    return false;
  }
}
