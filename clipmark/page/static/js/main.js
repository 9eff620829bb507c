// Boot: builds the parts in the order in which they need each other, then follows the event.

import { Actions } from "./actions.js";
import { api, saysGone } from "./api.js";
import { DraftKeeper } from "./drafts_client.js";
import { Findings } from "./findings.js";
import { watchJournal } from "./journal_line.js";
import { Keys } from "./keys.js";
import { createNotices } from "./notices.js";
import { Opener } from "./opener.js";
import { createPanels } from "./panel.js";
import { Store } from "./store.js";
import { startTheme } from "./theme.js";

import { createClock } from "./clock.js";
import { createFrames } from "./frames.js";
import * as frameView from "./frame_view.js";
import * as marksEdit from "./marks_edit.js";
import * as fits from "./fits.js";
import * as pixelWindow from "./pixel_window.js";
import * as legend from "./legend.js";

import * as slip from "./slip.js";
import * as missing from "./missing.js";
import * as ladder from "./ladder.js";
import * as strip from "./strip.js";
import * as calls from "./calls.js";
import * as motionRun from "./motion_run.js";
import * as runPanel from "./run_panel.js";
import * as sign from "./sign.js";

import * as tools from "./tools.js";
import * as clipsPanel from "./clips_panel.js";
import * as attemptsPanel from "./attempts_panel.js";
import * as disputePanel from "./dispute_panel.js";
import * as sessionPanel from "./session_panel.js";
import * as standsPanel from "./stands_panel.js";
import * as help from "./help.js";
import * as guide from "./guide.js";
import * as hiddenPanel from "./hidden_panel.js";
import * as spansPanel from "./spans_panel.js";

const POLL_MS = 2000;

startTheme();
const region = (id) => document.getElementById(id);

const ctx = { api, store: new Store(), actions: new Actions() };
ctx.keys = new Keys(ctx.actions);
ctx.notices = createNotices(region("notices"));
ctx.panels = createPanels(region("panels"), ctx.notices);
ctx.clock = createClock(ctx);
ctx.frames = createFrames(ctx);
ctx.keeper = new DraftKeeper(ctx);
ctx.opener = new Opener(ctx);
const findings = new Findings(ctx.notices);
globalThis.clipmarkPage = ctx; // for the browser tests, and for a look with the browser's tools

function addOwnActions() {
  const { actions, store, notices } = ctx;
  const told = (label, done, undone) => notices.brief(label ? `${done}: ${label}.` : undone);
  const undo = () => {
    ctx.view.pointers.drop(); // a drag that goes on is what is undone first
    told(store.undo(), "Undone", "There is nothing to undo.");
  };
  actions.add({ name: "undo", label: "Undo", group: "Attempt", key: ["u", "Ctrl+z"],
    repeats: true, run: undo });
  actions.add({ name: "redo", label: "Do again what was undone", group: "Attempt",
    key: ["Shift+u", "Ctrl+Shift+z"], repeats: true,
    run: () => told(store.redo(), "Done again", "There is nothing to do again.") });
}

function mountAll() {
  frameView.mount(region("stage"), ctx);
  marksEdit.mount(region("stage"), ctx);
  fits.mount(region("stage"), ctx);
  legend.mount(region("legend"), ctx);
  pixelWindow.mount(region("pixels"), ctx);
  slip.mount(region("slip"), ctx);
  missing.mount(region("missing"), ctx);
  ladder.mount(region("ladder"), ctx);
  strip.mount(region("strip"), ctx);
  calls.mount(region("calls"), ctx);
  motionRun.mount(region("strip"), ctx);
  runPanel.mount(region("run"), ctx);
  sign.mount(region("slip"), ctx);
  tools.mount(region("tools"), ctx);
  for (const panel of [clipsPanel, attemptsPanel, disputePanel, hiddenPanel, spansPanel, sessionPanel, standsPanel, help, guide]) {
    panel.mount(region("panels"), ctx);
  }
}

/** Ask for what others saved and what became of the folder, for ever; trouble is said once, while it lasts. */
async function follow() {
  let trouble = null; // what takes away what was said of it
  let seen = ctx.store.event.seq; // of the journal; an event read anew meanwhile must not skip lines
  let sheets = ctx.store.event.sheets;
  for (;;) {
    await new Promise((resolve) => setTimeout(resolve, POLL_MS));
    if (document.visibilityState === "hidden") continue;
    try {
      const news = await api.get(`api/changes?after=${seen}`);
      trouble?.();
      trouble = null;
      findings.show(news.findings);
      if (news.lines.length > 0 || news.sheets !== sheets) await takeNews(news.lines);
      seen = Math.max(seen, news.seq);
      sheets = news.sheets;
    } catch (error) {
      trouble ??= ctx.notices.say(error.message, "refusal", "event");
    }
  }
}

/** Nothing that was said of its silence holds any longer, and what was not kept is kept now. */
function noteAnswers() {
  ctx.notices.takeAway(saysGone);
  ctx.notices.say("The server answers again.", "success", "event");
  ctx.keeper.keep();
}

async function takeNews(lines) {
  const { store } = ctx;
  const mine = lines.filter((line) => line.kind === "attempt" && line.id === store.key).at(-1);
  if (mine && mine.revision > (store.revision ?? 0)) {
    store.newer = { id: mine.id, revision: mine.revision, by: mine.by, at: mine.at };
  }
  const event = await api.get("api/event");
  store.setEvent({ ...event, news: lines });
}

async function start() {
  addOwnActions();
  try {
    ctx.store.setEvent(await api.get("api/event"));
  } catch (error) {
    ctx.notices.say(error.message, "refusal");
    return;
  }
  document.title = `${ctx.store.event.name} - clipmark`;
  mountAll();
  ctx.opener.mount(region("stage"));
  ctx.store.tell("event", "loaded", "draft", "marks", "details", "calls", "readings", "ui", "clip");
  findings.show(ctx.store.event.findings ?? []);
  watchJournal(ctx);
  window.addEventListener("clipmark:answers", noteAnswers);
  ctx.store.subscribe(() => ctx.notices.leaveAttempt(), ["loaded"]);
  try {
    if (!(await ctx.opener.fromAddress())) await offerWork();
  } catch (error) {
    ctx.notices.say(error.message, "refusal");
  }
  document.documentElement.dataset.ready = "yes";
  follow();
}

/** Nothing is named in the address: show where the work is. */
async function offerWork() {
  if (new URLSearchParams(location.search).has("guide")) return; // the guide leads
  const [{ attempts }, { drafts }] = await Promise.all([
    api.get("api/attempts"),
    api.get("api/drafts"),
  ]);
  if (ctx.panels.anyShown) return; // the operator was quicker, and is not to be interrupted
  ctx.panels.open(attempts.length + drafts.length > 0 ? "attempts" : "clips");
}

start();
