// Decoded pictures at hand, the longest unused let go first, bounded by the memory they take.

/**
 * @typedef {object} Picture
 * @property {ImageBitmap} bitmap
 * @property {number} ordinal the frame it really is
 * @property {boolean} [damaged] the decoder complained: parts may be invented
 * @property {boolean} exact decoded for this frame, not taken from the page cache
 */

export class PictureCache {
  /** @param {number} boundBytes */
  constructor(boundBytes) {
    this.boundBytes = boundBytes;
    this.bytes = 0;
    /** @type {Map<string, Picture>} least recently used first */
    this.held = new Map();
  }

  /** @returns {Picture|null} */
  get(ordinal, exact) {
    const key = keyOf(ordinal, exact);
    const found = this.held.get(key);
    if (!found) return null;
    this.held.delete(key);
    this.held.set(key, found);
    return found;
  }

  /** Whether a picture at least so wide is here; does not count as use. */
  has(ordinal, exact, width = 0) {
    const found = this.held.get(keyOf(ordinal, exact));
    return found !== undefined && found.bitmap.width >= width;
  }

  /** Keep a picture; a wider one of the same frame that is already here stays instead. */
  put(picture) {
    const key = keyOf(picture.ordinal, picture.exact);
    const old = this.held.get(key);
    if (old && old.bitmap.width > picture.bitmap.width) {
      picture.bitmap.close();
      return;
    }
    if (old) this.drop(key, old);
    this.held.set(key, picture);
    this.bytes += bytesOf(picture);
    for (const [oldest, held] of this.held) {
      if (this.bytes <= this.boundBytes || oldest === key) break;
      this.drop(oldest, held);
    }
  }

  clear() {
    for (const [key, held] of [...this.held]) this.drop(key, held);
  }

  drop(key, picture) {
    this.held.delete(key);
    this.bytes -= bytesOf(picture);
    picture.bitmap.close();
  }
}

function keyOf(ordinal, exact) {
  return `${exact ? "exact" : "kept"}-${ordinal}`;
}

function bytesOf({ bitmap }) {
  return 4 * bitmap.width * bitmap.height;
}
