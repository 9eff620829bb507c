/**
 * Whether the camera of the attempt's clip stands where a stand was marked, and what follows.
 */

/**
 * @typedef {object} StandAnswer
 * @property {"same" | "moved" | "cannot tell"} state
 * @property {string} sentence
 * @property {string} [done] what was done about it, in words
 * @property {Record<string, any>} [marks] carried over to this clip
 */

/**
 * Compare the clip of the attempt in hand with a stand; what was found is kept for the slip.
 * @param {any} ctx
 * @param {string} id of the stand
 * @returns {Promise<StandAnswer | null>} null when another attempt was opened meanwhile
 * @throws {Error} with a sentence, when the server refused
 */
export async function compareStand({ store, api, clock }, id) {
  const { key } = store;
  const { clip, marks } = store.draft;
  const frame = marks.frame ?? clock.ordinal;
  const found = await api.post(`api/stands/${encodeURIComponent(id)}/check`, { clip, frame });
  if (store.key !== key || store.draft.clip !== clip) return null;
  store.setUi({ standCheck: { stand: id, clip, state: found.state, sentence: found.sentence } });
  return found;
}

/**
 * Use a stand for the attempt in hand, with the marks carried over.
 * @param {any} ctx
 * @param {string | null} id null does without one
 * @param {StandAnswer | null} [found] null for an attempt without a clip
 * @returns {boolean} false when it could not be told whether the camera stands there
 */
export function takeStand({ store }, id, found = null) {
  if (found?.state === "cannot tell") return false;
  store.change(id === null ? "do without a stand" : "use the stand", (draft) => {
    draft.stand = id;
    for (const [name, value] of Object.entries(found?.marks ?? {})) {
      if (name !== "frame" && value !== null) draft.marks[name] = value;
    }
  });
  return true;
}
