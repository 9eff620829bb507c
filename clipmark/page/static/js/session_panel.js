/**
 * The session record as a form: what was the same for everybody on the day. Shown once a day.
 */

import { button, el, put } from "./dom.js";
import { field, readAll } from "./form_parts.js";
import { recall, remember } from "./remembered.js";
import {
  differences,
  fieldWords,
  OF_THE_DAY,
  OF_THE_DAY_SETUP,
  SESSION_GROUPS,
  SETUP_FIELDS,
  valueWords,
} from "./session_fields.js";
import { when } from "./work_list.js";

const ASKED = "clipmark.session-asked";
const FILE_LEFT = "clipmark.session-file-left"; // which file was left beside which record

/** @param {HTMLElement} root @param {any} ctx */
export function mount(root, ctx) {
  ctx.panels.add({
    name: "session",
    title: "Session record",
    size: "wide",
    build: (panel) => build(panel, ctx),
  });
  ctx.actions.add({
    name: "open-session",
    label: "Day: the session record",
    group: "Panels",
    key: "Shift+d",
    run: () => ctx.panels.open("session"),
  });
  const stop = ctx.store.subscribe(() => {
    stop();
    if (wanted(ctx)) {
      noteAsked(ctx);
      ctx.panels.show({
        name: "session",
        title: "A new day: the session record",
        size: "wide",
        comesFirst: true,
        build: (panel) => build(panel, ctx),
      });
    }
  }, ["event"]);
}

/** Today's date where this page is looked at, as the record writes it. */
function today() {
  const now = new Date();
  const two = (number) => String(number).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}

/** Whether today's record should be asked for now. @param {any} ctx */
function wanted({ store }) {
  const { event } = store;
  if (!event || event.practice || event.session.today || location.hash.length > 1) return false;
  if (new URLSearchParams(location.search).has("guide")) return false;
  return recall(ASKED) !== `${event.name} ${today()}`;
}

/** @param {any} ctx */
function noteAsked({ store }) {
  remember(ASKED, `${store.event.name} ${today()}`);
}

/** @param {import("./panel.js").Panel} panel @param {any} ctx */
async function build(panel, ctx) {
  const place = el("div", { class: "session-place" }, el("p", { class: "soft" }, "Looking for the record \u2026"));
  put(panel.body, place);
  try {
    show(place, panel, ctx, await ctx.api.get("api/session"));
  } catch (error) {
    put(place, el("p", { class: "bad", role: "alert" }, error.message));
  }
}

/** @param {HTMLElement} place @param {import("./panel.js").Panel} panel @param {any} ctx @param {any} answer */
function show(place, panel, ctx, answer) {
  const { revision, changes } = answer;
  const body = answer.body ?? {};
  const form = sessionForm(body);
  const by = field({ name: "by", label: "Written down by", value: ctx.store.ui.by ?? "", needed: true, offers: ctx.store.event.people ?? [] });
  const trouble = el("div", { role: "alert", class: "conflict" });
  const isOld = body.date !== today();
  const filled = Boolean(body.date);
  let saved = false;
  const atFirst = form.written();
  panel.holdBack(() => (saved || (form.written() === atFirst && !answer.isTaken) ? null : "What you changed in the record is not saved."));

  async function save(record, base) {
    if (by.problem() !== null) {
      by.input.focus();
      return;
    }
    try {
      await ctx.api.put("api/session", { by: by.read(), base_revision: base, body: record });
    } catch (error) {
      if (error.status === 409) showConflict(record, error);
      else put(trouble, el("p", { class: "bad" }, error.message));
      return;
    }
    if (!ctx.store.ui.by) ctx.store.setUi({ by: by.read() });
    ctx.notices.say("The session record is saved.", "success");
    saved = true;
    panel.close();
    try {
      ctx.store.setEvent(await ctx.api.get("api/event"));
    } catch (error) {
      ctx.notices.say(error.message, "refusal");
    }
  }

  function showConflict(record, error) {
    const { theirs } = error.body;
    const rows = differences(record, theirs.body ?? {});
    put(
      trouble,
      el("p", { class: "bad" }, error.message),
      changeTable("Where the two differ", ["Field", "Yours", "Theirs"], rows.map((row) => [
        fieldWords(row.field), valueWords(row.mine), valueWords(row.theirs),
      ])),
      el(
        "div",
        { class: "row" },
        button("Take theirs into the form", () => show(place, panel, ctx, { ...theirs, changes })),
        button("Save yours over it", () => save(record, theirs.revision)),
      ),
    );
  }

  const same = button("Same as last time, today", () => {
    const record = form.read();
    if (record) save(forToday(record), revision);
  }, { class: "main" });
  const saveButton = button("Save the record", () => {
    const record = form.read();
    if (record) save(record, revision);
  }, { class: isOld && filled ? null : "main" });
  put(
    place,
    isOld &&
      filled &&
      el(
        "div",
        { class: "same-as-last" },
        el("p", {}, `The record is of ${body.date}. Was everything the same today? Zeroing, temperatures, batteries and runs since cleaning are left open then.`),
        same,
      ),
    answer.file && fileBox(answer, (body) => show(place, panel, ctx, { ...answer, body, file: null, isTaken: true })),
    changes?.length > 0 && changesList(changes),
    form.node,
    el("div", { class: "panel-foot" }, by.node, saveButton),
    trouble,
  );
}

/**
 * The file in the folder says something else than the record that was saved here: which one holds, where
 * they differ, and the choice.
 * @param {any} answer @param {(body: any) => void} take puts a record into the form, to be saved
 */
function fileBox(answer, take) {
  const { body, file, by, at } = answer;
  const kept = `${file.sha256} ${answer.revision}`;
  if (recall(FILE_LEFT) === kept) return null;
  const rows = differences(body, file.body);
  const box = el(
    "section",
    { class: "session-file", "aria-label": "session.toml says otherwise" },
    el("h3", {}, "session.toml says otherwise"),
    el(
      "p",
      {},
      `What holds is the record below, saved on the page by ${by || "nobody named"}, ${when(at)}. ` +
        "It was saved after session.toml was read; the file holds again as soon as it is changed.",
    ),
    changeTable("Where record and file differ", ["Field", "The record, which holds", "session.toml"], rows.map((row) => [
      fieldWords(row.field), valueWords(row.mine), valueWords(row.theirs),
    ])),
    el(
      "div",
      { class: "row" },
      button("Take the file's into the form", () => take(file.body)),
      button("Leave it: the record holds", () => {
        remember(FILE_LEFT, kept);
        box.closest("dialog")?.querySelector("h2")?.focus(); // the button goes
        box.remove();
      }),
    ),
  );
  return box;
}

/** The same record for today; what is of one day only is not known yet. @param {any} record */
function forToday(record) {
  const empty = (names, of) => Object.fromEntries(names.map((name) => [name, typeof of[name] === "string" ? "" : null]));
  return {
    ...record,
    ...empty(OF_THE_DAY, record),
    date: today(),
    setups: record.setups.map((item) => ({ ...item, ...empty(OF_THE_DAY_SETUP, item) })),
  };
}

/** @param {any} body the record as it is */
function sessionForm(body) {
  const groups = SESSION_GROUPS.map(({ title, fields }) => {
    const made = fields.map((spec) =>
      field({ ...spec, value: spec.name === "date" ? (body.date ?? today()) : body[spec.name] }),
    );
    return { made, node: el("fieldset", { class: "form-group" }, el("legend", {}, title), made.map((item) => item.node)) };
  });
  const setups = setupBlocks(body.setups ?? []);
  return {
    node: el("div", { class: "session-form" }, groups.map((group) => group.node), setups.node),
    read: () => {
      const plain = readAll(groups.flatMap((group) => group.made));
      const blocks = plain && setups.read();
      return blocks ? { ...plain, setups: blocks } : null;
    },
    /** All that is written in it, as a text to compare. */
    written: () => JSON.stringify([groups.flatMap((group) => group.made.map((item) => item.read())), setups.written()]),
  };
}

/** One block for each set-up as it ran. @param {any[]} known */
function setupBlocks(known) {
  /** @type {{node: HTMLElement, made: import("./form_parts.js").Field[]}[]} */
  let blocks = [];
  const list = el("div", { class: "setup-blocks" });

  function add(values, open) {
    const made = SETUP_FIELDS.map((spec) => field({ ...spec, value: values[spec.name] }));
    const title = el("span", {}, values.setup || "A new set-up");
    made[0].input.addEventListener("input", () => {
      title.textContent = made[0].read() || "A new set-up";
    });
    const block = {
      made,
      node: el(
        "details",
        { class: "setup-block", open },
        el("summary", {}, title),
        el("div", { class: "form-group" }, made.map((item) => item.node)),
        button("Take this set-up out", () => {
          blocks = blocks.filter((item) => item !== block);
          block.node.remove();
          adder.focus();
        }, { class: "plain" }),
      ),
    };
    blocks.push(block);
    list.append(block.node);
    return block;
  }

  const adder = button("Add a set-up", () => add({}, true).made[0].input.focus());
  for (const values of known) add(values, false);
  const node = el(
    "fieldset",
    {},
    el("legend", {}, "Set-ups as they ran"),
    list,
    el(
      "div",
      { class: "row" },
      adder,
    ),
  );
  return {
    node,
    written: () => blocks.map((block) => block.made.map((item) => item.read())),
    read: () => {
      const read = [];
      for (const block of blocks) {
        if (block.made.some((item) => item.problem() !== null)) block.node.setAttribute("open", "");
        const values = readAll(block.made);
        if (values === null) return null;
        read.push(values);
      }
      return read;
    },
  };
}

/** @param {any[]} changes */
function changesList(changes) {
  const rows = changes.map((item) => [
    `${when(item.at)}, ${item.by || "nobody named"}`,
    fieldWords(item.field),
    valueWords(item.before),
    valueWords(item.after),
  ]);
  return el(
    "details",
    { class: "session-changes" },
    el("summary", {}, rows.length === 1 ? "1 change since it was first written" : `${rows.length} changes since it was first written`),
    changeTable("Changes of the session record", ["When, who", "Field", "Before", "After"], rows),
  );
}

/** @param {string} caption @param {string[]} heads @param {string[][]} rows */
function changeTable(caption, heads, rows) {
  return el(
    "div",
    { class: "table-place", tabindex: "0", role: "region", "aria-label": caption },
    el(
      "table",
      {},
      el("caption", { class: "unseen" }, caption),
      el("thead", {}, el("tr", {}, heads.map((words) => el("th", { scope: "col" }, words)))),
      el("tbody", {}, rows.map((cells) => el("tr", {}, cells.map((words) => el("td", {}, words))))),
    ),
  );
}
