/**
 * Attempts looked for in a long recording: the search, and what it proposes. A span here is no
 * verdict and is saved nowhere; whoever marks looks at it, and begins an attempt from it or not.
 */

import { shownAspect } from "./clip_card.js";
import { button, el, put } from "./dom.js";
import { field, readAll } from "./form_parts.js";
import { fixed, seconds } from "./numbers.js";

const POLL_MS = 300;
const STARTS = {
  enters: "enters the picture",
  "set-down": "is set down before",
  "moves-off": "moves off",
  "clip-begins": "moves as the clip begins",
  "view-changes": "moves after the view changed",
};
const ENDS = {
  rests: "comes to rest",
  leaves: "leaves the picture",
  falls: "falls",
  "carried-off": "is taken by something else",
  "clip-ends": "still moves as the clip ends",
  "view-changes": "moves as the view changes",
};

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  ctx.panels.add({
    name: "spans",
    title: "Look for attempts",
    size: "wide",
    build: (panel, { sha }) => build(panel, ctx, sha ?? ctx.store.draft.clip),
  });
  ctx.actions.add({
    name: "look-for-attempts",
    label: "Look for attempts in the clip",
    group: "Panels",
    run: () => {
      const { clip } = ctx.store.draft;
      if (clip) ctx.panels.open("spans", { sha: clip });
      else ctx.notices.say("No clip is open; open one first.", "refusal");
    },
  });
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx @param {string} sha */
async function build(panel, ctx, sha) {
  let open = true;
  panel.onClose(() => {
    open = false;
  });
  put(panel.body, el("p", { class: "soft" }, "Opening \u2026"));
  try {
    const clip = await ctx.api.post(`api/clips/${sha}/open`);
    if (!open) return;
    if (!clip.facts) throw new Error(clip.sentence ?? "This clip cannot be read.");
    panel.setTitle(`Look for attempts: ${clip.name}`);
    await new SpansPanel(panel, ctx, clip, () => open).start();
  } catch (error) {
    if (open) put(panel.body, el("p", { class: "bad", role: "alert" }, error.message));
  }
}

class SpansPanel {
  /** @param {import("./panel.js").Panel} panel @param {any} ctx @param {any} clip @param {() => boolean} isOpen */
  constructor(panel, ctx, clip, isOpen) {
    Object.assign(this, { panel, ctx, clip, isOpen, running: null });
    this.path = `api/clips/${clip.sha}/attempts-seen`;
    const { width, height } = clip.facts;
    this.rest = field({ name: "rest_s", label: "Longest rest within one attempt", unit: "s", kind: "number", least: 0, most: 600, value: 8, needed: true,
      hint: "A truck that stands longer than this and goes on is two attempts." });
    this.margin = field({ name: "margin_s", label: "Margin before and after", unit: "s", kind: "number", least: 0, most: 600, value: 1, needed: true });
    const place = (name, label, most) => field({ name, label, unit: "px", kind: "number", least: 0, most });
    this.region = [place("x", "Left", width), place("y", "Top", height), place("w", "Width", width), place("h", "Height", height)];
    this.look = button("Look for attempts", () => this.begin(), { class: "main" });
    this.stop = button("Stop looking", () => this.end());
    this.bar = el("progress", { max: 1, "aria-label": `Looked through of ${clip.name}` });
    this.state = el("p", { class: "spans-state", role: "status" });
    this.wrong = el("p", { class: "bad", role: "alert" });
    this.list = el("ol", { class: "spans-list", role: "list", "aria-label": "Proposed attempts" });
    this.told = el("div", { class: "spans-told" });
  }

  async start() {
    put(this.panel.body,
      el("p", { class: "soft" }, "Finds where one truck moves on its own and proposes spans of frames. Nothing is judged or saved: look at each, and begin an attempt from it or not."),
      el("div", { class: "spans-terms" }, this.rest.node, this.margin.node),
      el("details", { class: "spans-region" },
        el("summary", {}, "Look in a part of the picture only"),
        el("p", { class: "small soft" }, `All four, in px of the picture, which is ${this.clip.facts.width} \u00d7 ${this.clip.facts.height}. Left empty: the whole picture.`),
        el("div", { class: "spans-terms" }, this.region.map((one) => one.node))),
      el("div", { class: "row" }, this.look, this.stop, this.bar),
      this.state, this.wrong, this.told, this.list);
    this.busy(false);
    const { running, found } = await this.ctx.api.get(this.path);
    if (!this.isOpen()) return;
    if (found) this.show(found);
    if (running) await this.follow(running);
  }

  /** Whether a search runs. @param {boolean} is */
  busy(is) {
    this.look.disabled = is;
    this.stop.hidden = !is;
    this.bar.hidden = !is;
  }

  async begin() {
    const terms = readAll([this.rest, this.margin, ...this.region]);
    if (!terms) return;
    const { rest_s, margin_s, ...area } = terms;
    const given = Object.values(area).filter((value) => value !== null).length;
    this.wrong.textContent = "";
    if (given !== 0 && (given !== 4 || !(area.w > 0 && area.h > 0))) {
      this.wrong.textContent = "A part of the picture needs left, top, width and height; give all four, or none.";
      return;
    }
    const { store } = this.ctx;
    const true_fps = store.draft.clip === this.clip.sha ? (store.draft.marks.true_fps ?? null) : null;
    try {
      const { search } = await this.ctx.api.post(this.path, { rest_s, margin_s, within: given ? area : null, true_fps });
      await this.follow(search);
    } catch (error) {
      this.wrong.textContent = error.message;
    }
  }

  /** Show how far a search is until it ends; it goes on while the panel is closed. @param {string} search */
  async follow(search) {
    this.running = search;
    this.bar.removeAttribute("value");
    this.busy(true);
    this.stop.focus();
    this.state.textContent = "Looking for attempts \u2026";
    try {
      for (;;) {
        const now = await this.ctx.api.get(`api/searches/${search}`);
        if (!this.isOpen()) return;
        if (now.state === "failed") throw new Error(now.error);
        if (now.state === "done") break;
        if (now.total) this.bar.value = now.done / now.total;
        await new Promise((resolve) => setTimeout(resolve, POLL_MS));
      }
      const { found } = await this.ctx.api.get(this.path);
      if (found && this.isOpen()) this.show(found);
    } catch (error) {
      this.state.textContent = "";
      this.wrong.textContent = error.message;
    } finally {
      this.running = null;
      this.busy(false);
      if (this.isOpen() && !this.panel.dialog.contains(document.activeElement)) this.look.focus();
    }
  }

  async end() {
    if (!this.running) return;
    try {
      await this.ctx.api.post(`api/searches/${this.running}/stop`, {});
    } catch (error) {
      this.wrong.textContent = error.message;
    }
  }

  /** @param {any} found */
  show(found) {
    const count = found.attempts.length;
    this.rest.write(found.rest_s);
    this.margin.write(found.margin_s);
    this.region.forEach((one, at) => one.write(found.within?.[at] ?? null));
    this.state.textContent = count === 0 ? "Nothing to propose." : count === 1 ? "1 proposed, to be looked at." : `${count} proposed, to be looked at.`;
    put(this.told, found.not_told && el("p", {}, found.not_told), found.warnings.map((sentence) => el("p", { class: "warn small" }, sentence)));
    put(this.list, found.attempts.map((span, at) => this.item(span, at + 1)));
    this.ctx.store.setUi({ proposed: { sha: this.clip.sha, spans: found.attempts } });
  }

  /** @param {any} span @param {number} number */
  item(span, number) {
    const still = el("img", { class: "spans-still", src: `api/clips/${this.clip.sha}/frames/${span.moves_first_frame}.jpg?width=320`, alt: "", loading: "lazy" });
    still.style.aspectRatio = shownAspect(this.clip);
    const times = span.first_t_s === null ? "" : `, ${seconds(span.first_t_s)} to ${seconds(span.last_t_s)}`;
    const name = `span ${number}`;
    return el("li", { class: "spans-item" },
      still,
      el("div", { class: "spans-words" },
        el("h3", {}, `${number}. Frames ${span.first_frame} to ${span.last_frame}${times}`, el("span", { class: `stamp${span.sure === "doubtful" ? " warn" : ""}` }, span.sure)),
        el("p", {}, `The truck ${STARTS[span.start] ?? span.start} and ${ENDS[span.end] ?? span.end}; it moves for ${fixed(span.busy * 100, 0)} % of the time between${restWords(span)}.`),
        span.notes.map((note) => el("p", { class: "small warn" }, note)),
        span.marked.length > 0 && el("p", { class: "small soft" }, `Signed there already: ${span.marked.join(", ")}.`)),
      el("div", { class: "spans-acts" },
        button("Go there", () => this.go(span), { "aria-label": `Go there: first frame of ${name}` }),
        button("New attempt from here", () => this.take(span), { "aria-label": `New attempt from here: ${name}` })));
  }

  /** @param {any} span */
  async go(span) {
    const { opener, panels, clock } = this.ctx;
    panels.close();
    if (await opener.openClip(this.clip.sha)) clock.goto(span.first_frame);
  }

  /** A fresh run slip with in and out; verdict and all else stay open. @param {any} span */
  async take(span) {
    const { opener, panels } = this.ctx;
    panels.close();
    await opener.newAttempt({ clip: this.clip.sha, marks: { frame: span.first_frame, span: [span.first_frame, span.last_frame] } });
  }
}

/** @param {any} span */
function restWords({ longest_rest_s: rest }) {
  return rest > 0 ? `, and rests for ${fixed(rest, 1)} s at most` : "";
}
