/**
 * What is declared rather than marked: the view of the camera, and true sizes of what is marked.
 */

import { button, el, put } from "./dom.js";
import { field } from "./form_parts.js";
import { BOUNDS, SHEET_SIZES } from "./mark_kinds.js";

/** @typedef {{name: string, spec: object, at?: number}} Declared  `at`: which number of a pair */

/**
 * The view in a few words, for the slip.
 *
 * @param {Record<string, any>} marks
 * @returns {string}
 */
export function describeView(marks) {
  const parts = [];
  if (marks.lens) {
    parts.push(`lens ${String(marks.lens).replace(/\.json$/, "")}`);
  }
  if (marks.sheet && marks.sheet_size) {
    parts.push(`sheet ${marks.sheet_size.join(" × ")} mm`);
  }
  if (!marks.sheet || !marks.sheet_size) {
    const within = marks.square_within ?? null;
    parts.push(within === null ? "square within 5°, assumed" : `square within ${within}°`);
  }
  if (marks.scale && marks.scale_mm) {
    parts.push(`scale ${marks.scale_mm} mm`);
  }
  return parts.join(", ");
}

const ALSO = [
  ["view_angle", "view angle", "°"],
  ["level_u", "level or plumb good to", "°"],
  ["sheet_u_mm", "sheet sides good to", " mm"],
  ["wheel_mm", "wheel diameter", " mm"],
  ["rim_px", "rim radius", " px"],
  ["facing", "the truck faces", ""],
  ["true_fps", "frames a second really taken:", ""],
];

/**
 * Everything that is declared, for whoever signs it.
 *
 * @param {Record<string, any>} marks
 * @returns {string}
 */
export function describeDeclared(marks) {
  const also = ALSO.filter(([name]) => (marks[name] ?? null) !== null);
  return [describeView(marks), ...also.map(([name, words, unit]) => `${words} ${marks[name]}${unit}`)].join(", ");
}

/**
 * Register the panel and the action that opens it.
 *
 * @param {any} ctx
 */
export function mountDeclared(ctx) {
  ctx.actions.add({
    name: "declare",
    label: "View and true sizes",
    group: "Attempt",
    run: () =>
      ctx.panels.show({
        name: "declared",
        title: "View and true sizes",
        size: "narrow",
        build: (panel) => build(panel, ctx),
      }),
  });
}

function build(panel, ctx) {
  const { store } = ctx;
  const made = new Map();

  /** A field bound to one mark value; `at` picks one number of a pair. */
  const bound = (name, spec, at = null) => {
    const kept = store.draft.marks[name] ?? null;
    const item = field({ ...spec, name, value: at === null ? kept : (kept?.[at] ?? null) });
    item.write(at === null ? kept : (kept?.[at] ?? null));
    item.input.addEventListener("change", () => {
      if (item.problem() === null) {
        write(name, item.read(), at);
      }
    });
    made.set(at === null ? name : `${name}.${at}`, item);
    return item.node;
  };

  const write = (name, value, at) => {
    if (at === null) {
      set(name, value === "" ? null : value);
      return;
    }
    const pair = [0, 1].map((side) => made.get(`${name}.${side}`).read());
    if (pair.every(Number.isFinite) || pair.every((side) => side === null)) {
      set(name, pair[0] === null ? null : pair);
    }
  };
  const set = (name, value) =>
    store.change(`${name.replaceAll("_", " ")}`, (draft) => {
      draft.marks[name] = value;
    });

  const lenses = [[null, "none"], ...(store.event?.lenses ?? []).map((file) => [file, file])];
  const sizes = SHEET_SIZES.map(({ label, size }) =>
    button(label, () => {
      set("sheet_size", size);
      size.forEach((side, at) => made.get(`sheet_size.${at}`).write(side));
    }),
  );
  put(
    panel.body,
    el("fieldset", {},
      el("legend", {}, "View"),
      el("p", { class: "soft small" }, "A lens file takes the bend of the lens out. A sheet in the plane of motion takes care of how squarely the camera looks; without one, say what you can promise."),
      el("div", { class: "declared-grid" },
        bound("lens", { label: "Lens file", kind: "choice", choices: lenses }),
        bound("square_within", { label: "Looks square within", kind: "number", unit: "°", least: 0, most: 90, hint: "5 where nothing is said" }),
        bound("view_angle", { label: "View angle, across", kind: "number", unit: "°", least: 1, most: 179 }),
        bound("level_u", { label: "Level or plumb good to", kind: "number", unit: "°", ...BOUNDS.level_u, hint: "standard uncertainty; 0.05 where nothing is said" }),
        bound("facing", { label: "The truck faces", kind: "choice", choices: [[null, "as its hubs say"], ["left", "left"], ["right", "right"]] }),
        bound("true_fps", { label: "Frames a second really taken", kind: "number", least: 1, most: 100_000, hint: "only for slow-motion files" }),
      ),
    ),
    el("fieldset", {},
      el("legend", {}, "True sizes"),
      el("div", { class: "declared-presets" }, el("span", { class: "soft small" }, "The sheet is, along its first side,"), sizes),
      el("div", { class: "declared-grid" },
        bound("sheet_size", { label: "Sheet, first side", kind: "number", unit: "mm", ...BOUNDS.length_mm }, 0),
        bound("sheet_size", { label: "Sheet, second side", kind: "number", unit: "mm", ...BOUNDS.length_mm }, 1),
        bound("sheet_u_mm", { label: "Sheet sides good to", kind: "number", unit: "mm", ...BOUNDS.sheet_u_mm, hint: "standard uncertainty; 0.5 where nothing is said" }),
        bound("scale_mm", { label: "Scale mark", kind: "number", unit: "mm", ...BOUNDS.length_mm }),
        bound("wheel_mm", { label: "Wheel diameter", kind: "number", unit: "mm", ...BOUNDS.length_mm }),
        bound("rim_px", { label: "Rim radius in the picture", kind: "number", unit: "px", above: 0.01, most: 1e5, hint: "helps to find the hubs" }),
      ),
    ),
    el("div", { class: "declared-end" }, button("Done", () => panel.close(), { class: "main" })),
  );
}
