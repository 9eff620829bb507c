/**
 * The panel of areas to hide: a bystander, a number plate. They are kept with the event, by the
 * clip's content, and made unrecognisable in every report; the clip itself is never written to.
 */

import { shownAspect } from "./clip_card.js";
import { button, el, put } from "./dom.js";
import { field } from "./form_parts.js";
import { HiddenAreas, sizeWords, spanWords } from "./hidden_areas.js";
import { HiddenStage } from "./hidden_stage.js";

const NUMBERS = [
  ["x", "Left", "px"],
  ["y", "Top", "px"],
  ["w", "Width", "px"],
  ["h", "Height", "px"],
  ["first_frame", "From frame", ""],
  ["last_frame", "To frame", ""],
];

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  ctx.panels.add({
    name: "hidden",
    title: "Areas to hide",
    size: "full",
    build: (panel, { sha, ordinal }) => build(panel, ctx, sha ?? ctx.store.draft.clip, ordinal ?? 0),
  });
  ctx.actions.add({
    name: "hide-areas",
    label: "Areas of the clip to hide in reports",
    group: "Panels",
    run: () => {
      const { clip } = ctx.store.draft;
      if (clip) ctx.panels.open("hidden", { sha: clip, ordinal: ctx.clock.ordinal });
      else ctx.notices.say("No clip is open; open one first.", "refusal");
    },
  });
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx @param {string} sha @param {number} ordinal */
async function build(panel, ctx, sha, ordinal) {
  let open = true;
  panel.onClose(() => {
    open = false;
  });
  put(panel.body, el("p", { class: "soft" }, "Opening \u2026"));
  try {
    const [clip, known] = await Promise.all([
      ctx.api.post(`api/clips/${sha}/open`),
      ctx.api.get(`api/clips/${sha}/hidden`),
    ]);
    if (!open) return;
    if (!clip.facts) throw new Error(clip.sentence ?? "This clip cannot be read.");
    panel.setTitle(`Areas to hide: ${clip.name}`);
    new HiddenPanel(panel, ctx, clip, known).show(Math.min(ordinal, clip.facts.frame_count - 1));
  } catch (error) {
    if (open) put(panel.body, el("p", { class: "bad", role: "alert" }, error.message));
  }
}

class HiddenPanel {
  constructor(panel, ctx, clip, known) {
    this.ctx = ctx;
    this.clip = clip;
    this.mark = known.mark;
    this.last = clip.facts.frame_count - 1;
    this.model = new HiddenAreas({ width: clip.facts.width, height: clip.facts.height }, known.areas);
    this.stage = new HiddenStage(this.model, { sha: clip.sha, name: clip.name, aspect: shownAspect(clip) }, () => this.update());
    this.list = el("ol", { role: "list", class: "hidden-list" });
    this.said = el("p", { role: "status", class: "hidden-said" });
    this.wrong = el("p", { role: "alert", class: "bad" });
    this.undo = button("Undo", () => this.model.undo() && this.redraw());
    this.keep = button("Keep these areas", () => this.save(), { class: "main" });
    this.seen = button("Show as it will be handed out", () => this.toggle(), { "aria-pressed": "false" });
    this.frame = field({ name: "frame", label: "Frame shown", kind: "count", value: 0, least: 0, most: this.last });
    this.frame.input.addEventListener("change", () => this.frame.problem() === null && this.show(this.frame.read() ?? 0));
    panel.holdBack(() => (this.model.changed ? "The areas are not kept yet; keep them, or close once more to leave them." : null));
    put(panel.body, el("div", { class: "hidden-areas" },
      el("div", { class: "hidden-work" }, this.stage.node,
        el("div", { class: "row row-ends" }, this.frame.node,
          el("div", { class: "row" }, button("Back 10", () => this.show(this.stage.ordinal - 10)), button("On 10", () => this.show(this.stage.ordinal + 10)), this.seen))),
      el("div", { class: "hidden-side" },
        el("p", { class: "small soft" }, "Drag on the picture to draw an area, drag it or one of its corners to change it. Arrow keys move the one in hand by a pixel, with Shift by ten; with Alt they move its lower right corner; Delete removes it."),
        el("div", { class: "row" }, button("Add an area", () => this.add()), this.undo),
        this.list, this.said, this.wrong,
        el("div", { class: "row" }, this.keep))));
    new ResizeObserver(() => this.stage.draw()).observe(this.stage.node);
    this.update();
  }

  show(ordinal) {
    const at = Math.max(0, Math.min(this.last, ordinal));
    this.frame.write(at);
    this.stage.show(at);
  }

  toggle() {
    this.stage.asShown = !this.stage.asShown;
    this.seen.setAttribute("aria-pressed", this.stage.asShown ? "true" : "false");
    this.stage.draw();
  }

  add() {
    this.model.step();
    this.model.add();
    this.redraw();
    this.stage.focusOn(this.model.inHand);
  }

  redraw() {
    this.update();
    this.stage.draw();
  }

  /** The list and the buttons; fields being typed in stay. */
  update() {
    const { model } = this;
    this.undo.disabled = model.before.length === 0;
    this.keep.disabled = !model.changed;
    const count = model.areas.length;
    this.said.textContent = `${count === 1 ? "1 area" : `${count} areas`}${model.changed ? ", not kept yet" : ", kept with the event"}.`;
    if (this.items?.length !== count) {
      this.items = model.areas.map((_, at) => this.item(at));
      put(this.list, count ? this.items.map((item) => item.node) : el("li", { class: "soft" }, "Nothing is hidden on this clip."));
    }
    for (const item of this.items) item.update();
  }

  /** One area of the list. @param {number} at */
  item(at) {
    const { model } = this;
    const heading = el("strong", {}, `Area ${at + 1}`);
    const words = el("span", { class: "small soft" });
    const fields = NUMBERS.map(([name, label, unit]) => {
      const span = name.endsWith("_frame");
      const made = field({ name, label, unit, kind: span ? "count" : "number", least: 0, most: span ? this.last : undefined, needed: !span });
      made.input.setAttribute("aria-label", `${label} of area ${at + 1}`);
      made.input.addEventListener("change", () => this.typed(at, name, made));
      return made;
    });
    const node = el("li", { class: "hidden-item" },
      el("div", { class: "row row-ends" }, el("div", {}, heading, " ", words),
        button("Remove", () => { model.step(); model.remove(at); this.items = null; this.redraw(); }, { "aria-label": `Remove area ${at + 1}` })),
      el("div", { class: "hidden-numbers" }, fields.map((one) => one.node)));
    node.addEventListener("focusin", () => {
      if (model.inHand === at) return;
      model.inHand = at;
      this.redraw();
    });
    return {
      node,
      update: () => {
        const area = model.areas[at];
        node.dataset.inHand = model.inHand === at ? "yes" : "no";
        words.textContent = `${sizeWords(area)}, ${spanWords(area)}`;
        for (const one of fields) if (document.activeElement !== one.input) one.write(area[one.name]);
      },
    };
  }

  /** A number was typed. */
  typed(at, name, made) {
    if (made.problem() !== null) return;
    const area = { ...this.model.areas[at], [name]: made.read() };
    const backwards = area.first_frame !== null && area.last_frame !== null && area.last_frame < area.first_frame;
    this.wrong.textContent = backwards ? `Area ${at + 1} would run backwards, from frame ${area.first_frame} to ${area.last_frame}; give the earlier frame first.` : "";
    if (backwards) return;
    this.model.step();
    this.model.change(at, { [name]: made.read() });
    made.write(this.model.areas[at][name]);
    this.redraw();
  }

  async save() {
    this.keep.disabled = true;
    this.wrong.textContent = "";
    try {
      const kept = await this.ctx.api.put(`api/clips/${this.clip.sha}/hidden`, { areas: this.model.areas, mark: this.mark });
      this.mark = kept.mark;
      this.model.noteKept(kept.areas);
    } catch (error) {
      this.wrong.textContent = error.message;
    }
    this.redraw();
  }
}
