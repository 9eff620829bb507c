// The way to the server from the blind page. The parts it shares with the marking page ask for frames
// and fits of a clip; here there are only pictures, by tokens that say nothing.

import { api } from "./api.js";

const GONE = "The server does not answer; see whether clipmark still runs. What is marked is kept here.";
const CLIPS = /^api\/clips\//;

const here = (path) => path.replace(CLIPS, "api/pictures/");

/** A server that does not answer is not the marking page's. */
async function told(asked) {
  try {
    return await asked;
  } catch (error) {
    if (error.status === 0) error.message = GONE;
    throw error;
  }
}

/** As `api`; whatever asks for a clip gets the picture in hand. */
export const blindApi = {
  get: (path, signal) => told(api.get(here(path), signal)),
  post: (path, body, signal) => told(api.post(here(path), body, signal)),
  put: (path, body, signal) => told(api.put(here(path), body, signal)),
  picture: (path, signal) => told(api.picture(here(path), signal)),
  parting: (path, body) => api.parting(here(path), body),
};
