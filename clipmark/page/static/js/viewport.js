// Where the picture lies on the stage: zoom and pan. Pure geometry; CSS px against picture px.
//
// A picture position has the centre of the top-left pixel at (0, 0). The pixel aspect stretches the
// display only: `scale` is CSS px per picture px upwards, `scale * aspect` sideways.

const MOST_CSS_PX = 80; // one picture pixel is not shown larger than this
const STAY = 0.35; // share of the stage that a zoomed picture may leave empty at a side

/** Where the picture is on the stage, and how large. */
export class Viewport {
  constructor() {
    this.picture = { width: 1, height: 1, aspect: 1 };
    this.stage = { width: 1, height: 1 };
    this.scale = 1;
    this.left = 0; // CSS px of the picture's outer corner on the stage
    this.top = 0;
    this.whole = true; // the whole picture is shown, and stays so when the stage changes
  }

  setPicture(width, height, aspect) {
    this.picture = { width, height, aspect };
    this.showWhole();
  }

  setStage(width, height) {
    const middle = this.toPicture(this.stage.width / 2, this.stage.height / 2);
    this.stage = { width: Math.max(1, width), height: Math.max(1, height) };
    if (this.whole) this.showWhole();
    else this.centre(middle);
  }

  get wholeScale() {
    const { width, height, aspect } = this.picture;
    return Math.min(this.stage.width / (width * aspect), this.stage.height / height);
  }

  showWhole() {
    this.whole = true;
    this.scale = this.wholeScale;
    this.keepInSight();
  }

  /** @param {number} factor above 1 is closer @param {number} x stage CSS px that stay @param {number} y */
  zoomAt(factor, x, y) {
    const held = this.toPicture(x, y);
    const least = this.wholeScale;
    this.scale = Math.max(least, Math.min(MOST_CSS_PX, this.scale * factor));
    this.whole = this.scale <= least * 1.0001;
    this.left = x - (held.x + 0.5) * this.scale * this.picture.aspect;
    this.top = y - (held.y + 0.5) * this.scale;
    this.keepInSight();
  }

  /** Two fingers: what lies between them goes along with them. */
  pinch(factor, x, y, dx, dy) {
    this.left += dx;
    this.top += dy;
    this.zoomAt(factor, x, y);
  }

  panBy(dx, dy) {
    this.left += dx;
    this.top += dy;
    this.keepInSight();
  }

  centre({ x, y }) {
    const at = this.toStage(x, y);
    this.panBy(this.stage.width / 2 - at.x, this.stage.height / 2 - at.y);
  }

  /** Pan as little as brings a picture position well onto the stage. */
  reveal({ x, y }, margin = 48) {
    const at = this.toStage(x, y);
    const aside = (value, size) => {
      const edge = Math.min(margin, size / 4);
      return value < edge ? edge - value : Math.min(0, size - edge - value);
    };
    this.panBy(aside(at.x, this.stage.width), aside(at.y, this.stage.height));
  }

  toPicture(x, y) {
    return {
      x: (x - this.left) / (this.scale * this.picture.aspect) - 0.5,
      y: (y - this.top) / this.scale - 0.5,
    };
  }

  toStage(x, y) {
    return {
      x: this.left + (x + 0.5) * this.scale * this.picture.aspect,
      y: this.top + (y + 0.5) * this.scale,
    };
  }

  /** Picture px that are on the stage, outer edges. */
  get visible() {
    const from = this.toPicture(0, 0);
    const to = this.toPicture(this.stage.width, this.stage.height);
    const { width, height } = this.picture;
    return {
      left: Math.max(-0.5, from.x), top: Math.max(-0.5, from.y),
      right: Math.min(width - 0.5, to.x), bottom: Math.min(height - 0.5, to.y),
    };
  }

  keepInSight() {
    const { width, height, aspect } = this.picture;
    this.left = kept(this.left, width * aspect * this.scale, this.stage.width);
    this.top = kept(this.top, height * this.scale, this.stage.height);
  }
}

function kept(start, size, room) {
  if (size <= room + 0.5) return (room - size) / 2;
  const spare = room * STAY;
  return Math.max(room - spare - size, Math.min(spare, start));
}
