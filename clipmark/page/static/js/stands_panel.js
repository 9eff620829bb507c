/**
 * Stands: references marked once for a camera position, and whether the camera has moved since.
 */

import { button, el, put } from "./dom.js";
import { field, readAll } from "./form_parts.js";
import { hasReference, standBody, standWords } from "./stand_body.js";
import { asSentence } from "./plain.js";
import { compareStand, takeStand } from "./stand_check.js";
import { when } from "./work_list.js";

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  ctx.panels.add({
    name: "stands",
    title: "Stands: camera positions",
    size: "wide",
    build: (panel) => build(panel, ctx),
  });
  ctx.actions.add({
    name: "open-stands",
    label: "Where the camera stood: stands",
    group: "Panels",
    key: "Shift+w",
    run: () => ctx.panels.open("stands"),
  });
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx */
async function build(panel, ctx) {
  const { store } = ctx;
  const list = el("ul", { role: "list", class: "stand-list" });
  const state = el("p", { class: "soft", role: "status" }, "Looking for stands \u2026");
  const making = el("section", { class: "stand-new", "aria-label": "A new stand" });
  put(
    panel.body,
    el("p", { class: "soft" }, "Mark level or plumb, sheet and scale once for a camera that stands still; every attempt filmed from there can use them."),
    state,
    list,
    making,
  );

  let asked = 0; // the newest wish; answers to older ones are passed over
  let form = null;

  async function refresh() {
    const mine = ++asked;
    let stands;
    try {
      ({ stands } = await ctx.api.get("api/stands"));
    } catch (error) {
      state.textContent = error.message;
      return;
    }
    if (mine !== asked) return;
    state.textContent = stands.length === 0 ? "There is no stand yet." : "";
    put(list, stands.map((stand) => standItem(stand, panel, ctx)));
    if (form?.isStarted()) return; // somebody else saved something: what is being typed stays
    form = newStand(stands, ctx, () => {
      form = null;
      refresh();
    });
    put(making, ...form.nodes);
  }
  panel.holdBack(() => (form?.isStarted() ? "The new stand is not saved yet." : null));
  const stop = store.subscribe(refresh, ["event"]);
  panel.onClose(stop);
  await refresh();
}

/** @param {any} stand @param {import("./panel.js").Panel} panel @param {any} ctx */
function standItem(stand, panel, ctx) {
  const { store } = ctx;
  const { body } = stand;
  const kept = standWords(body.marks);
  const answer = el("div", { class: "stand-answer", role: "status" });
  const inUse = store.draft.stand === stand.id;
  const facts = [
    kept.length > 0 ? `keeps ${kept.join(", ")}` : "nothing is marked on it yet",
    body.marks.lens,
    body.square_within_deg != null && `square within ${body.square_within_deg}°`,
    body.view_angle_deg != null && `view ${body.view_angle_deg}° across`,
    body.camera,
  ];
  const use = button("Use it for this attempt", () => check(stand, answer, panel, ctx), {
    class: "main",
    "aria-label": `Use it for this attempt: ${body.name}`,
    disabled: !store.draft.clip || !store.key,
  });
  return el(
    "li",
    { class: "stand", data: { stand: stand.id } },
    el("h3", {}, body.name, inUse && el("span", { class: "stamp" }, "of this attempt")),
    el("p", { class: "small soft" }, facts.filter(Boolean).join("; ")),
    el("p", { class: "small soft" }, `Revision ${stand.revision}, by ${stand.by || "nobody named"}, ${when(stand.at)}`),
    el("div", { class: "row" }, use, inUse && button("Do without it", () => doWithout(panel, ctx))),
    use.disabled && el("p", { class: "small soft" }, "Open an attempt with a clip to use it."),
    answer,
  );
}

/** Ask whether the camera still stands there, say it, and put the carried marks into the draft. */
async function check(stand, answer, panel, ctx) {
  put(answer, el("p", { class: "soft" }, "Comparing this clip with the stand \u2026"));
  let found;
  try {
    found = await compareStand(ctx, stand.id);
  } catch (error) {
    put(answer, el("p", { class: "bad" }, error.message));
    return;
  }
  if (found === null) return; // another attempt was opened meanwhile
  const isTaken = takeStand(ctx, stand.id, found);
  put(answer, told(found), !isTaken && wayToMark(panel, ctx));
}

/** What was found and what was done about it. @param {any} found */
function told(found) {
  const words = { same: "Camera as it was", moved: "Camera moved", "cannot tell": "Cannot be told" };
  return el(
    "div",
    { class: `stand-told stand-${found.state.replace(" ", "-")}` },
    el("strong", {}, words[found.state]),
    found.sentence && el("p", {}, asSentence(found.sentence)),
    found.done && el("p", {}, found.done),
  );
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx */
function wayToMark(panel, ctx) {
  const go = (tool) => () => {
    panel.close();
    ctx.store.setUi({ tool });
    ctx.view.focus();
  };
  return el(
    "div",
    { class: "row" },
    el("span", {}, "Mark it on this clip:"),
    button("plumb line", go("plumb")),
    button("level line", go("level")),
  );
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx */
function doWithout(panel, ctx) {
  takeStand(ctx, null);
  ctx.notices.say("The attempt has no stand now; its marks stay as they are.");
  panel.close();
}

/**
 * @param {any[]} stands @param {any} ctx @param {() => void} saved
 * @returns {{nodes: Node[], isStarted: () => boolean}} `isStarted`: something is typed and not saved
 */
function newStand(stands, ctx, saved) {
  const { store } = ctx;
  const { draft, clip } = store;
  const words = standWords(draft.marks);
  const title = el("h3", {}, "Make one from this attempt");
  if (!draft.clip || !clip || !hasReference(draft.marks)) {
    const words = draft.clip
      ? "Mark a level or plumb line on this clip first."
      : "Open an attempt with a clip, and mark a level or plumb line on it first.";
    return { nodes: [title, el("p", { class: "soft" }, words)], isStarted: () => false };
  }
  const name = field({ name: "name", label: "Name", needed: true, hint: "Such as: left, from the tripod.", offers: stands.map((item) => item.body.name) });
  const camera = field({ name: "camera", label: "Camera" });
  const distance = field({ name: "distance_mm", label: "Distance to the board", kind: "number", unit: "mm", least: 1, most: 1e7 });
  const note = field({ name: "note", label: "Note", longest: 20_000 });
  const by = field({ name: "by", label: "Written down by", value: store.ui.by ?? "", needed: true, offers: store.event.people ?? [] });
  const trouble = el("p", { class: "bad", role: "alert" });
  const fields = [name, camera, distance, note, by];

  async function save() {
    const said = readAll(fields);
    if (said === null) return;
    const known = stands.find((item) => item.body.name === said.name);
    const id = known?.id ?? idOf(said.name);
    const body = standBody(draft, said);
    try {
      await ctx.api.put(`api/stands/${encodeURIComponent(id)}`, { by: said.by, base_revision: known?.revision ?? null, body });
    } catch (error) {
      trouble.textContent = error.message;
      return;
    }
    store.change("stand", (copy) => {
      copy.stand = id;
    });
    ctx.notices.say(`The stand ${said.name} is saved, and used by this attempt.`, "success");
    saved();
  }

  const nodes = [
    title,
    el("p", {}, `It keeps: ${words.join(", ")}; as marked on frame ${draft.marks.frame ?? 0} of ${clip.name}.`),
    el("div", { class: "form-group" }, fields.map((item) => item.node)),
    el("div", { class: "panel-foot" }, button("Save the stand", save, { class: "main" })),
    trouble,
  ];
  const isStarted = () => [name, camera, distance, note].some((item) => item.input.value.trim() !== "");
  return { nodes, isStarted };
}

/** An id for a name: small letters, digits, hyphens. @param {string} name */
function idOf(name) {
  const plain = name.normalize("NFKD").toLowerCase().replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "");
  return plain.slice(0, 60).replace(/-+$/, "") || "stand";
}
