// Boot of the blind page: one picture after the other is marked and signed, and nothing is told of them.

import { Actions } from "./actions.js";
import { blindApi } from "./blind_api.js";
import * as card from "./blind_card.js";
import * as course from "./blind_course.js";
import { mountBlindMarks } from "./blind_marks.js";
import { takeUp, WorkKeeper, workOf } from "./blind_work.js";
import { createClock } from "./clock.js";
import { button, el, freshId, put } from "./dom.js";
import { createFrames } from "./frames.js";
import * as frameView from "./frame_view.js";
import * as help from "./help.js";
import { Keys } from "./keys.js";
import * as marksEdit from "./marks_edit.js";
import { createNotices } from "./notices.js";
import { createPanels } from "./panel.js";
import * as pixelWindow from "./pixel_window.js";
import { emptyDraft, Store } from "./store.js";
import { chosenTheme, nextTheme, startTheme, THEME_NAMES } from "./theme.js";

const LONGEST_WHY = 200;
const WHYS = ["what is asked for cannot be seen", "the picture is too blurred", "something covers it", "I know this run"];

startTheme();
const region = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

const ctx = { api: blindApi, store: new Store(), actions: new Actions() };
ctx.keys = new Keys(ctx.actions);
ctx.notices = createNotices(region("notices"));
ctx.panels = createPanels(region("panels"), ctx.notices);
ctx.clock = createClock(ctx);
ctx.frames = createFrames(ctx);
ctx.keeper = new WorkKeeper(ctx);
globalThis.clipmarkPage = ctx; // for the browser tests, and for a look with the browser's tools

/** Ask what is to be marked now, and show it. */
async function next() {
  const now = await ctx.api.get("api/now");
  const { store } = ctx;
  const picture = now.picture;
  const draft = emptyDraft(now.token);
  draft.marks = picture ? { frame: picture.frame, patch_frame: picture.patch_frame } : {};
  takeUp(draft, now.work);
  const wanted = picture?.wanted ?? [];
  store.ui = { ...store.ui, state: now.state, number: now.number, total: now.total, signed: now.kept, wanted,
    isSigning: false, fitsEdges: picture?.edge_fit ?? false };
  store.load({ key: now.token, draft });
  store.setClip(now.token ? clipOf(now) : null);
  ctx.notices.leaveAttempt();
  ctx.view.showWhole();
}

/** As the parts of the page take a clip: its frames go by the token. */
function clipOf({ token, picture, sentence }) {
  if (!picture) return { sha: token, facts: null, sentence };
  const { width, height, pixel_aspect, frame_count, times_s } = picture;
  return { sha: token, facts: { width, height, pixel_aspect, frame_count }, times_s };
}

/** Sign the picture in hand; where a mark cannot be measured it is said, and nothing is kept. */
async function sign(body) {
  const { store, notices, api, keeper } = ctx;
  if (store.ui.isSigning || !store.key) return;
  store.settle();
  store.setUi({ isSigning: true, tool: null, hand: null });
  try {
    const said = await keeper.holdDuring(() => api.post(`api/pictures/${store.key}/sign`, body()));
    await next();
    notices.say(said.sentence, "success");
    shownCard.focus();
  } catch (error) {
    store.setUi({ isSigning: false });
    notices.say(error.message, "refusal");
  }
}

function askWhy() {
  if (!ctx.store.key || ctx.store.ui.isSigning) return;
  ctx.panels.show({
    name: "leave-picture", title: "It cannot be marked", size: "narrow",
    build(panel) {
      const id = freshId("why");
      const offers = `${id}-offers`;
      const input = /** @type {HTMLInputElement} */ (
        el("input", { id, maxlength: LONGEST_WHY, list: offers, autofocus: true, required: true, autocomplete: "off" })
      );
      const go = (event) => {
        event.preventDefault();
        const why = input.value.trim();
        if (!why) {
          input.focus();
          return;
        }
        panel.close();
        sign(() => ({ left_out: why }));
      };
      put(panel.body, el("form", { class: "leave-form", on: { submit: go } },
        el("label", { for: id }, "Why not"), input,
        el("datalist", { id: offers }, WHYS.map((why) => el("option", { value: why }))),
        el("p", { class: "small soft" }, "The picture is signed without marks, and is not shown again."),
        button("Sign it so", () => {}, { type: "submit", class: "main" })));
    },
  });
}

async function close() {
  const { ui } = ctx.store;
  const open = ui.total - (ui.signed ?? 0);
  const what = open > 0 && ui.state === "marking"
    ? `${open} of ${ui.total} pictures are not signed; they will stay unmarked.` : "Every picture is signed.";
  const answer = await ctx.panels.ask("Close the marking?",
    `${what} Once it is closed nothing more can be marked, and it is compared.`,
    [{ label: "Close it", value: true }, { label: "Not yet", value: false, main: true }]);
  if (!answer) return;
  try {
    const said = await ctx.api.post("api/close");
    await next();
    ctx.notices.say(said.sentence, "success");
  } catch (error) {
    ctx.notices.say(error.message, "refusal");
  }
}

function addActions() {
  const { actions, store, notices } = ctx;
  const told = (label, done, undone) => notices.brief(label ? `${done}: ${label}.` : undone);
  const add = (name, label, key, run, more = {}) => actions.add({ name, label, group: "Picture", key, run, ...more });
  add("undo", "Undo", ["u", "Ctrl+z"], () => {
    ctx.view.pointers.drop(); // a drag that goes on is what is undone first
    told(store.undo(), "Undone", "There is nothing to undo.");
  }, { repeats: true });
  add("redo", "Do again what was undone", ["Shift+u", "Ctrl+Shift+z"],
    () => told(store.redo(), "Done again", "There is nothing to do again."), { repeats: true });
  add("sign-picture", "Sign this picture", "Ctrl+Enter", () => {
    const button = document.querySelector(".card-sign");
    if (button?.disabled) notices.say(document.querySelector(".card-still")?.textContent ?? "");
    else sign(() => ({ work: workOf(store.draft) }));
  });
  add("leave-picture", "It cannot be marked", undefined, askWhy);
  add("close-plan", "Close the marking", undefined, close);
}

function mountTools() {
  const { actions, panels, store } = ctx;
  const undo = button("Undo", () => actions.run("undo"));
  const redo = button("Redo", () => actions.run("redo"));
  const theme = button("", () => put(theme, `Theme: ${THEME_NAMES[nextTheme()]}`), { class: "plain" });
  put(theme, `Theme: ${THEME_NAMES[chosenTheme()]}`);
  const end = button("Close the marking", () => actions.run("close-plan"), { class: "plain", "aria-haspopup": "dialog" });
  put(region("tools"), el("p", { class: "event-name" }, "Blind marking"),
    el("div", { class: "row", role: "group", "aria-label": "Undo and redo" }, undo, redo),
    el("div", { class: "row" }, button("Keys", () => panels.open("keys"), { "aria-haspopup": "dialog", data: { opens: "keys" } }), theme, end));
  const update = () => {
    undo.disabled = !store.canUndo;
    redo.disabled = !store.canRedo;
    end.hidden = store.ui.state !== "marking";
  };
  store.subscribe(update, ["draft", "loaded", "clip"]);
  update();
}

/** @type {{focus: () => void}} */
let shownCard = { focus: () => {} };

async function start() {
  addActions();
  frameView.mount(region("stage"), ctx);
  marksEdit.mount(region("stage"), ctx);
  mountBlindMarks(ctx);
  pixelWindow.mount(region("pixels"), ctx);
  course.mount(region("course"), ctx);
  help.mount(region("panels"), ctx);
  shownCard = card.mount(region("card"), ctx);
  mountTools();
  window.addEventListener("clipmark:answers", () => {
    ctx.notices.takeAway((sentence) => sentence.startsWith("The server does not answer"));
    ctx.keeper.keep();
  });
  try {
    await next();
  } catch (error) {
    ctx.notices.say(error.message, "refusal");
  }
  document.documentElement.dataset.ready = "yes";
}

start();
