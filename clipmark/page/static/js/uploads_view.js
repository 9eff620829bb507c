/**
 * Picking and dropping footage, and the list of files on their way.
 */

import { button, el, put } from "./dom.js";
import { filesOf, sorted } from "./uploads.js";

const STATE_WORDS = {
  waiting: "waits its turn",
  sending: "on its way",
  checking: "being looked at",
  done: "taken in",
  refused: "refused",
  stopped: "stopped",
};

/**
 * Take files in; of a folder only what looks like footage, the rest is named.
 * @param {any} ctx
 * @param {import("./uploads.js").Uploads} uploads
 * @param {File[]} files
 * @param {boolean} fromFolder
 */
function takeIn(ctx, uploads, files, fromFolder) {
  const { footage, others } = fromFolder ? sorted(files) : { footage: files, others: [] };
  uploads.add(footage);
  if (others.length > 0) {
    const named = others.slice(0, 4).join(", ") + (others.length > 4 ? ", \u2026" : "");
    ctx.notices.say(`Left out, since the name is not that of a clip: ${named}.`, "info", "event");
  }
  if (fromFolder && footage.length === 0) {
    ctx.notices.say("There is no footage in that folder; choose the one that holds the clips.", "refusal", "event");
  }
}

/**
 * Files dropped anywhere on the page are taken in.
 * @param {any} ctx
 * @param {import("./uploads.js").Uploads} uploads
 */
export function acceptDrops(ctx, uploads) {
  const holdsFiles = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
  document.addEventListener("dragover", (event) => {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    document.documentElement.classList.add("dropping");
  });
  document.addEventListener("dragleave", (event) => {
    if (event.relatedTarget === null) document.documentElement.classList.remove("dropping");
  });
  document.addEventListener("drop", async (event) => {
    document.documentElement.classList.remove("dropping");
    if (!holdsFiles(event) || !event.dataTransfer) return;
    event.preventDefault();
    try {
      const { files, fromFolder } = await filesOf(event.dataTransfer);
      takeIn(ctx, uploads, files, fromFolder);
    } catch {
      ctx.notices.say("What was dropped could not be read; choose the files with the button.", "refusal", "event");
      return;
    }
    if (ctx.panels.openName !== "clips") ctx.panels.open("clips");
  });
}

/**
 * Buttons to pick files or a folder, and where to drop them.
 * @param {any} ctx
 * @param {import("./uploads.js").Uploads} uploads
 */
export function pickers(ctx, uploads) {
  const files = picker({ multiple: true, accept: "video/*,.mkv,.mts,.m2ts,.avi,.mov" }, (found) =>
    takeIn(ctx, uploads, found, false),
  );
  const folder = picker({ multiple: true, webkitdirectory: true }, (found) =>
    takeIn(ctx, uploads, found, true),
  );
  files.dataset.pick = "files";
  folder.dataset.pick = "folder";
  return el(
    "div",
    { class: "take-in" },
    el("p", {}, "Drop clips anywhere on this page, or choose them. They are copied into the event folder and never altered."),
    el(
      "div",
      { class: "row" },
      button("Choose files", () => files.click(), { class: "main" }),
      button("Choose a folder", () => folder.click()),
    ),
    files,
    folder,
  );
}

/** @param {Record<string, any>} props @param {(files: File[]) => void} run */
function picker(props, run) {
  const input = /** @type {HTMLInputElement} */ (
    el("input", { type: "file", hidden: true, tabindex: "-1", "aria-hidden": "true", ...props })
  );
  input.addEventListener("change", () => {
    run([...(input.files ?? [])]);
    input.value = ""; // so that the same file can be chosen once more
  });
  return input;
}

/**
 * The list of files on their way, kept up to date until `stop`.
 * @param {import("./uploads.js").Uploads} uploads
 * @returns {{node: HTMLElement, stop: () => void}}
 */
export function uploadList(uploads) {
  const list = el("ul", { role: "list", class: "uploads" });
  const node = el("section", { "aria-label": "Files on their way", hidden: true }, list);
  /** @type {Map<number, ReturnType<typeof uploadRow>>} */
  const rows = new Map();
  const clear = button("Clear the list", () => uploads.clearDone(), { class: "plain" });
  node.append(clear);

  function draw() {
    node.hidden = uploads.list.length === 0;
    const there = new Set(uploads.list.map((item) => item.id));
    for (const [id, row] of rows) {
      if (!there.has(id)) {
        row.node.remove();
        rows.delete(id);
      }
    }
    for (const upload of uploads.list) {
      if (!rows.has(upload.id)) {
        const row = uploadRow(uploads, upload);
        rows.set(upload.id, row);
        list.append(row.node);
      }
      rows.get(upload.id)?.update();
    }
    clear.hidden = !uploads.list.some((item) => ["done", "refused", "stopped"].includes(item.state));
  }
  draw();
  return { node, stop: uploads.subscribe(draw) };
}

/**
 * @param {import("./uploads.js").Uploads} uploads
 * @param {import("./uploads.js").Upload} upload
 */
function uploadRow(uploads, upload) {
  const bar = /** @type {HTMLProgressElement} */ (
    el("progress", { max: 1, "aria-label": `Sent of ${upload.name}` })
  );
  const words = el("span", { class: "upload-state small" });
  const sentence = el("p", { class: "bad small", hidden: true });
  const acts = el("span", {});
  const node = el(
    "li",
    { class: "upload" },
    el("span", { class: "upload-name" }, upload.name),
    words,
    bar,
    acts,
    sentence,
  );
  let shown = "";

  function update() {
    const share = upload.size_bytes > 0 ? upload.sent_bytes / upload.size_bytes : 0;
    bar.hidden = !["sending", "checking"].includes(upload.state);
    if (upload.state === "checking") bar.removeAttribute("value");
    else bar.value = Math.min(1, share);
    const percent = upload.state === "sending" ? `, ${Math.floor(100 * share)} %` : "";
    const isHere = upload.clip?.here_already === true;
    words.textContent = isHere ? "here already" : `${STATE_WORDS[upload.state]}${percent}`;
    sentence.classList.toggle("bad", !isHere);
    sentence.hidden = !upload.sentence;
    sentence.textContent = upload.sentence ?? "";
    if (shown === upload.state) return; // a button under the finger must not be replaced
    shown = upload.state;
    node.dataset.state = upload.state;
    const stops = ["waiting", "sending"].includes(upload.state);
    const again = ["refused", "stopped"].includes(upload.state);
    put(
      acts,
      stops && button("Stop", () => uploads.stop(upload), { "aria-label": `Stop ${upload.name}` }),
      again && button("Send again", () => uploads.again(upload), { "aria-label": `Send again: ${upload.name}` }),
    );
  }
  return { node, update };
}
