/**
 * The stand on the slip: chosen, compared with the clip, and what was found said beside it.
 */

import { el, freshId, put } from "./dom.js";

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
      store.change("no stand", (draft) => {
        draft.stand = null;
      });
    } else {
      use(stand);
    }
  }

  /** Take a stand: with a clip its marks come over, once it is known that the camera stands there. */
  async function use(stand) {
    const { clip } = store.draft;
    const found = clip ? await compare(ctx, stand) : null;
    if (store.draft.clip !== clip || (clip && found === null) || found?.state === "cannot tell") {
      select.value = store.draft.stand ?? "";
      if (found) {
        ctx.notices.say(`${found.sentence} ${found.done ?? ""}`.trim(), "refusal");
      }
      return;
    }
    store.change("stand", (draft) => {
      draft.stand = stand;
      for (const [name, value] of Object.entries(found?.marks ?? {})) {
        if (name !== "frame" && value !== null) {
          draft.marks[name] = value;
        }
      }
    });
    if (found?.done) {
      ctx.notices.say(found.done);
    }
  }

  store.subscribe(() => {
    const { stand, clip } = store.draft;
    if (stand && clip && store.event?.stands?.some((item) => item.id === stand)) {
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

/** Whether the camera of this clip stands where the stand was marked; null when it was refused. */
async function compare({ store, api, clock, notices }, stand) {
  const { clip, marks } = store.draft;
  try {
    const found = await api.post(`api/stands/${encodeURIComponent(stand)}/check`, { clip, frame: marks.frame ?? clock.ordinal });
    if (store.draft.clip === clip) {
      store.setUi({ standCheck: { stand, clip, state: found.state, sentence: found.sentence } });
    }
    return found;
  } catch (error) {
    notices.say(error.message, "refusal");
    return null;
  }
}
