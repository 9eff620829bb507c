// True pixels around a place, fetched ahead so that drawing never waits for the network.

const SIDE_PX = 256; // of a crop
const SPARE_PX = 56; // a point nearer to the edge of its crop asks for the next
const BUSY = [429, 503]; // answers that say "ask again"
const AGAIN_MS = 400;
const GONE_MS = 3000;

/** The crop of true pixels at hand, and the next one on its way. */
export class TruePixels {
  /** @param {any} ctx @param {() => void} arrived */
  constructor(ctx, arrived) {
    this.ctx = ctx;
    this.arrived = arrived;
    this.crop = null; // {sha, ordinal, x, y, w, h, canvas, data}
    this.going = false;
    this.wanted = null;
    this.refused = null;
  }

  /** The crop of this frame that is at hand, or null. */
  get(ordinal) {
    const { crop } = this;
    return crop && crop.ordinal === ordinal && crop.sha === this.ctx.store.clip?.sha ? crop : null;
  }

  /** Whether the pixels around a place were asked for and cannot be had. */
  isRefused(ordinal, { x, y }) {
    const { sha, facts } = this.ctx.store.clip;
    return this.refused === nameOf({ sha, ordinal, ...cropAround(x, y, facts.width, facts.height) });
  }

  /** Make sure that true pixels around a place are here or coming. */
  want(ordinal, { x, y }) {
    const { width, height } = this.ctx.store.clip.facts;
    if (covers(this.get(ordinal), x, y, width, height)) return;
    this.wanted = { sha: this.ctx.store.clip.sha, ordinal, ...cropAround(x, y, width, height) };
    if (!this.going) this.fetchAll();
  }

  /** One at a time; the latest wish is next. */
  async fetchAll() {
    this.going = true;
    while (this.wanted) {
      const one = this.wanted;
      this.wanted = null;
      const { sha, ordinal, x, y, w, h } = one;
      const name = nameOf(one);
      if (this.refused === name) break; // it was refused: not again until something else is wanted
      try {
        const path = `api/clips/${sha}/frames/${ordinal}/crop.png?x=${x}&y=${y}&w=${w}&h=${h}`;
        const { blob, headers } = await this.ctx.api.picture(path);
        this.crop = await decoded(blob, { ...one, ...placeOf(headers, one) });
        this.refused = null;
        this.arrived();
      } catch (error) {
        if (BUSY.includes(error.status)) {
          await new Promise((resolve) => setTimeout(resolve, AGAIN_MS));
          this.wanted ??= one; // newer requests came first
        } else {
          this.refused = name; // the frame itself says why it cannot be had
          this.arrived();
          if (error.status === 0) setTimeout(() => this.forgive(name), GONE_MS); // the server may come back
        }
      }
    }
    this.going = false;
  }

  forgive(name) {
    if (this.refused !== name) return;
    this.refused = null;
    this.arrived();
  }
}

function nameOf({ sha, ordinal, x, y }) {
  return `${sha}/${ordinal}/${x}/${y}`;
}

function cropAround(x, y, width, height) {
  const w = Math.min(SIDE_PX, width);
  const h = Math.min(SIDE_PX, height);
  const start = (value, side, size) =>
    Math.max(0, Math.min(size - side, Math.round(value) - Math.floor(side / 2)));
  return { x: start(x, w, width), y: start(y, h, height), w, h };
}

function covers(crop, x, y, width, height) {
  if (!crop) return false;
  const enough = (value, start, side, size) =>
    (start === 0 || value - start >= SPARE_PX) &&
    (start + side >= size || start + side - value >= SPARE_PX);
  return enough(x, crop.x, crop.w, width) && enough(y, crop.y, crop.h, height);
}

/** What the server really cut out. */
function placeOf(headers, asked) {
  const said = headers.get("x-crop")?.split(",").map(Number);
  if (!said || said.length !== 4 || said.some((value) => !Number.isFinite(value))) return asked;
  const [x, y, w, h] = said;
  return { x, y, w, h };
}

async function decoded(blob, place) {
  const bitmap = await createImageBitmap(blob, { colorSpaceConversion: "none" });
  const canvas = new OffscreenCanvas(bitmap.width, bitmap.height);
  const paper = canvas.getContext("2d", { willReadFrequently: true });
  paper.drawImage(bitmap, 0, 0);
  bitmap.close();
  const { data } = paper.getImageData(0, 0, canvas.width, canvas.height);
  return { ...place, w: canvas.width, h: canvas.height, canvas, data };
}

/**
 * Brightness at a picture position between pixels, 0..255; null outside the crop.
 * @param {{x: number, y: number, w: number, h: number, data: Uint8ClampedArray}} crop
 */
function brightnessAt(crop, x, y) {
  const left = Math.floor(x - crop.x);
  const top = Math.floor(y - crop.y);
  if (left < 0 || top < 0 || left + 1 >= crop.w || top + 1 >= crop.h) return null;
  const fx = x - crop.x - left;
  const fy = y - crop.y - top;
  const at = (i, j) => {
    const k = 4 * ((top + j) * crop.w + left + i);
    return 0.2126 * crop.data[k] + 0.7152 * crop.data[k + 1] + 0.0722 * crop.data[k + 2];
  };
  const upper = at(0, 0) * (1 - fx) + at(1, 0) * fx;
  const lower = at(0, 1) * (1 - fx) + at(1, 1) * fx;
  return upper * (1 - fy) + lower * fy;
}

/**
 * Brightness across a line: along its normal, averaged over a short piece of it.
 * @param {any} crop
 * @param {{x: number, y: number}} at where the profile crosses, picture px
 * @param {{x: number, y: number}} normal unit, picture px
 * @param {number} reach px to either side @param {number} step px
 * @returns {{offset_px: number, value: number|null}[]}
 */
export function profileAcross(crop, at, normal, reach, step) {
  const profile = [];
  for (let offset = -reach; offset <= reach + step / 2; offset += step) {
    let sum = 0;
    let count = 0;
    for (let along = -2; along <= 2; along += 1) {
      const value = brightnessAt(
        crop,
        at.x + offset * normal.x - along * normal.y,
        at.y + offset * normal.y + along * normal.x,
      );
      if (value === null) continue;
      sum += value;
      count += 1;
    }
    profile.push({ offset_px: offset, value: count ? sum / count : null });
  }
  return profile;
}
