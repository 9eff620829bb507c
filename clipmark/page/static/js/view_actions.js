// Keys of the frame: stepping, running, going to a time, zooming.

import { button, el, freshId } from "./dom.js";

const CLOSER = 1.4;

/** @param {any} ctx */
export function addViewActions(ctx) {
  const { actions, clock, notices, view } = ctx;
  const step = (name, label, key, run) =>
    actions.add({ name, label, group: "Frames", key, run });
  const inTime = (ds) => {
    if (clock.times_s) clock.stepTime(ds);
    else notices.say("This clip has no recorded times; step by frames instead.");
  };
  const runAt = (start) => {
    if (!start() && ctx.store.clip) {
      notices.say("This clip has no recorded times, so it cannot run at true speed; step instead.");
    }
  };
  step("step-next", "Next frame", "n", () => clock.step(1));
  step("step-back", "One frame back", "b", () => clock.step(-1));
  step("step-next-ten", "Ten frames on", "Shift+n", () => clock.step(10));
  step("step-back-ten", "Ten frames back", "Shift+b", () => clock.step(-10));
  step("step-later", "0.1 s later", "l", () => inTime(0.1));
  step("step-sooner", "0.1 s sooner", "s", () => inTime(-0.1));
  step("step-later-second", "1 s later", "Shift+l", () => inTime(1));
  step("step-sooner-second", "1 s sooner", "Shift+s", () => inTime(-1));
  step("run", "Run at true speed, or stop", "r", () => {
    if (clock.playing) clock.pause();
    else runAt(() => clock.play(1));
  });
  step("run-slow", "Run slower: 1/2, 1/4, 1/10", "Shift+r", () => runAt(() => clock.playSlower()));
  step("go-to", "Go to a time or a frame", "g", () => askWhere(ctx));

  const near = () => view.about?.() ?? null;
  const look = (name, label, key, run) => actions.add({ name, label, group: "View", key, run });
  look("zoom-closer", "Closer", "z", () => view.zoom(CLOSER, near()));
  look("zoom-wider", "Wider", "Shift+z", () => view.zoom(1 / CLOSER, near()));
  look("zoom-whole", "Whole picture", "w", () => view.showWhole());
}

/** A small panel with a time and a frame; whichever is filled in is gone to. */
function askWhere({ panels, clock, store }) {
  if (!store.clip?.facts) return;
  panels.show({
    name: "go-to", title: "Go to", size: "narrow",
    build(panel) {
      const time = field("time, s", clock.tOf(clock.ordinal)?.toFixed(3) ?? "", Boolean(clock.times_s));
      const frame = field("or frame", String(clock.ordinal), true);
      const first = clock.times_s ? time : frame;
      let last = first.input;
      for (const { input } of [time, frame]) {
        input.addEventListener("input", () => {
          last = input;
        });
      }
      const go = (event) => {
        event.preventDefault();
        const value = Number(last.value.replace(",", "."));
        if (!Number.isFinite(value) || last.value.trim() === "") {
          last.setAttribute("aria-invalid", "true");
          last.focus();
          return;
        }
        panel.close();
        if (last === time.input) clock.gotoTime(value);
        else clock.goto(value);
      };
      first.input.setAttribute("autofocus", "");
      panel.body.append(
        el("form", { class: "go-to", on: { submit: go } }, time.node, frame.node,
          button("Go", () => {}, { type: "submit", class: "main" })),
      );
      queueMicrotask(() => first.input.select());
    },
  });
}

function field(label, value, usable) {
  const id = freshId("go-to");
  const input = el("input", { id, inputmode: "decimal", value, disabled: !usable, size: 10 });
  return { input, node: el("p", {}, el("label", { for: id }, label), " ", input) };
}
