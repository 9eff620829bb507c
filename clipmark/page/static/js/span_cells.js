/**
 * From and to: the frames of the attempt, on the slip. Actions `f` and `t` set them here.
 */

import { button, el, put } from "./dom.js";
import { seconds } from "./numbers.js";

/**
 * The span with one end moved to a frame; the other end gives way where it must.
 *
 * @param {[number, number]|null} span
 * @param {"from"|"to"} end
 * @param {number} frame
 * @param {number} last   last frame of the clip
 * @returns {[number, number]|null} null where no span of two frames is left
 */
export function spanWith(span, end, frame, last) {
  const [a, b] = span ?? [0, last];
  const made = end === "from" ? [frame, b > frame ? b : last] : [a < frame ? a : 0, frame];
  return made[1] > made[0] ? made : null;
}

/**
 * Move one end of the span of the draft to a frame.
 *
 * @param {any} ctx
 * @param {"from"|"to"} end
 * @param {number} frame
 */
function setEnd({ store, clock, notices }, end, frame) {
  const last = (store.clip?.facts?.frame_count ?? clock.count ?? 1) - 1;
  const made = spanWith(store.draft.marks.span ?? null, end, frame, last);
  if (!store.draft.clip) {
    notices.say("There is no clip to take frames from; choose one first.", "refusal");
  } else if (last < 1) {
    notices.say("This clip has one frame; the attempt is that frame.");
  } else if (made === null) {
    const side = end === "from" ? "start at the last frame" : "end at frame 0";
    notices.say(`An attempt cannot ${side}; go to another frame.`, "refusal");
  } else {
    store.change(`${end} frame ${frame}`, (draft) => {
      draft.marks.span = made;
    });
  }
}

/**
 * The two cells, and their actions.
 *
 * @param {any} ctx
 * @returns {{node: HTMLElement, update: () => void}}
 */
export function mountSpan(ctx) {
  const { store, clock, actions } = ctx;
  const ends = ["from", "to"].map((end, index) => {
    const at = el("span", { class: "span-at" });
    const there = button(
      "",
      () => {
        const span = store.draft.marks.span;
        if (span) {
          clock.goto(span[index]);
        } else {
          actions.run(`${end}-here`);
        }
      },
      { class: "cell-button" },
    );
    put(there, el("span", { class: "label" }, `${end} `), at);
    const here = button("here", () => actions.run(`${end}-here`), {
      class: "span-here",
      "aria-label": `${end} here: take the frame shown`,
      data: { field: `span-${end}` },
    });
    actions.add({
      name: `${end}-here`,
      label: end === "from" ? "From here: the attempt starts at this frame" : "To here: the attempt ends at this frame",
      group: "Attempt",
      key: end === "from" ? "f" : "t",
      run: () => setEnd(ctx, end, clock.ordinal),
    });
    return { node: el("div", { class: `cell cell-span cell-${end}` }, there, here), at, there };
  });

  function update() {
    const span = store.draft.marks.span ?? null;
    ends.forEach(({ at, there }, index) => {
      const frame = span?.[index];
      at.textContent = span ? `${frame} · ${seconds(clock.tOf(frame))}` : "not set";
      there.title = span ? "Go there" : "Take the frame shown";
    });
  }
  return { node: el("div", { class: "span-cells" }, ends.map((end) => end.node)), update };
}
