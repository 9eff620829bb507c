// Keys of the frame: stepping, running, going to a time, zooming.

import { SAME_S } from "./clock.js";
import { button, el } from "./dom.js";
import { field, readAll } from "./form_parts.js";

const CLOSER = 1.4;

/** @param {any} ctx */
export function addViewActions(ctx) {
  const { actions, clock, notices, view } = ctx;
  const add = (name, label, key, run) => actions.add({ name, label, group: "Frames", key, run });
  const step = (name, label, key, run) =>
    actions.add({ name, label, group: "Frames", key, run, repeats: true });
  const inTime = (ds) => {
    if (clock.times_s) clock.stepTime(ds);
    else notices.say("This clip has no recorded times; step by frames instead.");
  };
  const runAt = (start) => {
    if (start() || !ctx.store.clip?.facts) return;
    notices.say(
      clock.count < 2
        ? "This clip has one frame, so it cannot run."
        : "This clip has no recorded times, so it cannot run at true speed; step instead.",
    );
  };
  step("step-next", "Next frame", "n", () => clock.step(1));
  step("step-back", "One frame back", "b", () => clock.step(-1));
  step("step-next-ten", "Ten frames on", "Shift+n", () => clock.step(10));
  step("step-back-ten", "Ten frames back", "Shift+b", () => clock.step(-10));
  step("step-later", "0.1 s later", "l", () => inTime(0.1));
  step("step-sooner", "0.1 s sooner", "s", () => inTime(-0.1));
  step("step-later-second", "1 s later", "Shift+l", () => inTime(1));
  step("step-sooner-second", "1 s sooner", "Shift+s", () => inTime(-1));
  add("run", "Run at true speed, or stop", "r", () => {
    if (clock.playing) clock.pause();
    else runAt(() => clock.play(1));
  });
  add("run-slow", "Run slower: 1/2, 1/4, 1/10", "Shift+r", () => runAt(() => clock.playSlower()));
  add("go-to", "Go to a time or a frame", "g", () => askWhere(ctx));

  const near = () => view.about?.() ?? null;
  const look = (name, label, key, run) => actions.add({ name, label, group: "View", key, run, repeats: true });
  look("zoom-closer", "Closer", "z", () => view.zoom(CLOSER, near()));
  look("zoom-wider", "Wider", "Shift+z", () => view.zoom(1 / CLOSER, near()));
  look("zoom-whole", "Whole picture", "w", () => view.showWhole());
}

/** A small panel with a time and a frame; whichever was written in last is gone to. */
function askWhere({ panels, clock, store, notices }) {
  if (!store.clip?.facts) return;
  panels.show({
    name: "go-to", title: "Go to", size: "narrow",
    build(panel) {
      const frame = field({ name: "frame", label: "Frame", kind: "count", least: 0, needed: true, value: clock.ordinal });
      const time = clock.times_s && field({
        name: "time", label: "Time", kind: "number", unit: "s", needed: true,
        value: clock.tOf(clock.ordinal).toFixed(3),
      });
      const both = [time, frame].filter(Boolean);
      const [first] = both;
      let last = first;
      for (const item of both) {
        item.input.addEventListener("input", () => {
          last = item;
        });
      }
      const go = (event) => {
        event.preventDefault();
        if (readAll([last]) === null) return;
        panel.close();
        const wanted = last.read();
        if (last === time) clock.gotoTime(wanted);
        else clock.goto(wanted);
        sayIfBeyond(wanted, last === time);
      };
      /** Where there is no such frame, the nearest is shown, and it is said. */
      const sayIfBeyond = (wanted, isTime) => {
        const end = clock.count - 1;
        const [least, most] = isTime ? [clock.tOf(0), clock.tOf(end)] : [0, end];
        if (wanted >= least && wanted <= most + (isTime ? SAME_S : 0)) return;
        const which = wanted < least ? "first" : "last";
        const there = isTime ? `${most.toFixed(3)} s` : `frame ${end}`;
        notices.say(
          which === "last" ? `The clip ends at ${there}; its last frame is shown.` : "The clip begins at its first frame, which is shown.",
        );
      };
      first.input.setAttribute("autofocus", "");
      panel.body.append(
        el("form", { class: "go-to", on: { submit: go } }, both.map((item) => item.node),
          button("Go", () => {}, { type: "submit", class: "main" })),
      );
      queueMicrotask(() => first.input.select());
    },
  });
}
