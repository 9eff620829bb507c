/**
 * Taking footage in: files go to the server one after another, each with its progress, and can
 * be stopped. What is refused keeps its sentence until it is taken away.
 */

import { asSentence } from "./plain.js";

const GONE =
  "The server does not answer; see whether `clipmark mark` still runs, then send the file again.";
// A folder often holds more than footage; what its name says is no clip is left out and named.
const FOOTAGE = /\.(mp4|m4v|mov|mkv|webm|avi|mts|m2ts|ts|mpg|mpeg|3gp|ogv|wmv)$/i;

/**
 * @typedef {object} Upload
 * @property {number} id
 * @property {string} name
 * @property {number} size_bytes
 * @property {number} sent_bytes
 * @property {"waiting" | "sending" | "checking" | "done" | "refused" | "stopped"} state
 * @property {string | null} sentence why it was refused, or as what it is here already
 * @property {File} file
 * @property {any} clip what the server made of it
 */

/** Files on their way; goes on while its panel is closed. */
export class Uploads {
  /** @param {(upload: Upload) => void} [onOver] told of each that is done or refused */
  constructor(onOver = () => {}) {
    /** @type {Upload[]} */
    this.list = [];
    /** @type {Set<() => void>} */
    this.listeners = new Set();
    this.onOver = onOver;
    this.counted = 0;
    /** @type {{upload: Upload, request: XMLHttpRequest} | null} */
    this.going = null;
  }

  /** @param {() => void} fn @returns {() => void} */
  subscribe(fn) {
    this.listeners.add(fn);
    return () => this.listeners.delete(fn);
  }

  get busy() {
    return this.list.some((item) => item.state === "waiting" || item.state === "sending");
  }

  /** @param {Iterable<File>} files */
  add(files) {
    for (const file of files) {
      this.list.push({
        id: ++this.counted,
        name: file.name,
        size_bytes: file.size,
        sent_bytes: 0,
        state: "waiting",
        sentence: null,
        file,
        clip: null,
      });
    }
    this.tell();
    this.next();
  }

  /** @param {Upload} upload */
  stop(upload) {
    if (this.going?.upload === upload) this.going.request.abort();
    else if (upload.state === "waiting") upload.state = "stopped";
    this.tell();
  }

  /** Send once more what was stopped or refused. @param {Upload} upload */
  again(upload) {
    Object.assign(upload, { state: "waiting", sentence: null, sent_bytes: 0 });
    this.tell();
    this.next();
  }

  /** Take away what is over. */
  clearDone() {
    this.list = this.list.filter((item) => ["waiting", "sending", "checking"].includes(item.state));
    this.tell();
  }

  tell() {
    for (const fn of [...this.listeners]) fn();
  }

  next() {
    if (this.going) return;
    const upload = this.list.find((item) => item.state === "waiting");
    if (!upload) return;
    const request = new XMLHttpRequest(); // fetch does not tell how much was sent
    this.going = { upload, request };
    upload.state = "sending";
    const over = (state, sentence = null) => {
      upload.state = state;
      upload.sentence = sentence;
      this.going = null;
      this.tell();
      if (state !== "stopped") this.onOver(upload);
      this.next();
    };
    request.upload.addEventListener("progress", (event) => {
      upload.sent_bytes = event.loaded;
      if (event.loaded >= upload.size_bytes) upload.state = "checking";
      this.tell();
    });
    request.addEventListener("load", () => {
      const body = parsed(request.responseText);
      if (request.status >= 200 && request.status < 300) {
        upload.clip = body;
        over("done", body?.here_already ? hereAlready(upload.name, body.name) : null);
      } else {
        over("refused", body?.error ? asSentence(body.error) : `The server refused it (${request.status}).`);
      }
    });
    request.addEventListener("error", () => over("refused", GONE));
    request.addEventListener("abort", () => over("stopped"));
    request.open("POST", `api/clips?name=${encodeURIComponent(upload.name)}`);
    request.setRequestHeader("content-type", "application/octet-stream");
    request.send(upload.file);
    this.tell();
  }
}

/** @param {string} sent @param {string} held name of the clip with the same content */
function hereAlready(sent, held) {
  const same = sent === held ? `${held} is in this event already` : `${sent} is the same clip as ${held}, which is in this event already`;
  return `${same}; nothing was taken in.`;
}

/**
 * Of a whole folder, what looks like footage and how many files do not.
 * @param {File[]} files
 * @returns {{footage: File[], others: string[]}}
 */
export function sorted(files) {
  const seen = files.filter((file) => !file.name.startsWith("."));
  const isFootage = (file) => FOOTAGE.test(file.name) || file.type.startsWith("video/");
  return {
    footage: seen.filter(isFootage),
    others: seen.filter((file) => !isFootage(file)).map((file) => file.name),
  };
}

/**
 * Everything dropped, folders walked through.
 * @param {DataTransfer} dropped
 * @returns {Promise<{files: File[], fromFolder: boolean}>}
 */
export async function filesOf(dropped) {
  // The entries must be taken before the first wait: the list is emptied after the event.
  const entries = [...dropped.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
  if (!entries.some((entry) => entry.isDirectory)) {
    return { files: [...dropped.files], fromFolder: false };
  }
  const found = [];
  for (const entry of entries) await walk(entry, found);
  return { files: found, fromFolder: true };
}

/** @param {any} entry @param {File[]} found */
async function walk(entry, found) {
  if (entry.isFile) {
    found.push(await new Promise((give, refuse) => entry.file(give, refuse)));
    return;
  }
  const reader = entry.createReader();
  for (;;) {
    // A reader answers in portions, and with an empty one at the end.
    const portion = await new Promise((give, refuse) => reader.readEntries(give, refuse));
    if (portion.length === 0) return;
    for (const inner of portion) await walk(inner, found);
  }
}

/** @param {string} text */
function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}
