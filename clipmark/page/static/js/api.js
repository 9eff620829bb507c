// The only way to the server. Addresses are relative: the same page also serves the practice event.

import { asSentence } from "./plain.js";

/** A refusal: `message` is the sentence to show, `body` the whole answer. */
class ApiError extends Error {
  /** @param {number} status @param {string} sentence @param {any} body */
  constructor(status, sentence, body) {
    super(sentence);
    this.status = status;
    this.body = body;
  }
}

const GONE =
  "The server does not answer; see whether `clipmark mark` still runs. What is marked is kept here.";

async function send(method, path, body, signal) {
  const options = { method, signal, headers: {}, credentials: "same-origin" };
  if (body !== undefined) {
    options.headers["content-type"] = "application/json";
    options.body = JSON.stringify(body);
  }
  let response;
  try {
    response = await fetch(path, options);
  } catch (error) {
    if (error.name === "AbortError") throw error;
    isGone = true;
    throw new ApiError(0, GONE, null);
  }
  if (isGone) {
    isGone = false;
    window.dispatchEvent(new CustomEvent("clipmark:answers"));
  }
  return response;
}

let isGone = false; // the last time it was asked, the server did not answer

/** Whether a sentence says that the server does not answer. @param {string} sentence */
export const saysGone = (sentence) => sentence.startsWith(GONE.split(";", 1)[0]);

async function refusal(response) {
  let body = null;
  try {
    body = await response.json();
  } catch {
    // not JSON: the status has to do
  }
  const said = body?.error ?? `the server refused (${response.status})`;
  return new ApiError(response.status, asSentence(said), body);
}

async function json(method, path, body, signal) {
  const response = await send(method, path, body, signal);
  if (!response.ok) throw await refusal(response);
  return response.status === 204 ? null : response.json();
}

/** What the server is asked for; all throw a refusal with a sentence. */
export const api = {
  /** @param {string} path @param {AbortSignal} [signal] */
  get: (path, signal) => json("GET", path, undefined, signal),
  /** @param {string} path @param {any} body @param {AbortSignal} [signal] */
  post: (path, body, signal) => json("POST", path, body ?? {}, signal),
  put: (path, body, signal) => json("PUT", path, body, signal),
  del: (path, signal) => json("DELETE", path, undefined, signal),

  /**
   * A picture and the headers it came with.
   * @param {string} path @param {AbortSignal} [signal]
   * @returns {Promise<{blob: Blob, headers: Headers}>}
   */
  async picture(path, signal) {
    const response = await send("GET", path, undefined, signal);
    if (!response.ok) throw await refusal(response);
    return { blob: await response.blob(), headers: response.headers };
  },

  /**
   * Send something that still gets there while the page is being left.
   * @param {string} path @param {any} body
   */
  parting(path, body) {
    const data = JSON.stringify(body);
    fetch(path, {
      method: "PUT",
      keepalive: data.length < 60_000, // browsers refuse more in a kept-alive request
      headers: { "content-type": "application/json" },
      body: data,
    }).catch(() => {});
  },
};
