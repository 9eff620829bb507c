// Where the names beside the marks go on the stage: each near its mark, none over another name or
// over a point that can be held. Pure; stage CSS px.

import { clamp } from "./plain.js";

/** @typedef {{x: number, y: number}} Point */

/**
 * @typedef {object} Wanted
 * @property {Point} at the place of the mark that the name belongs to
 * @property {{x: number, y: number}} outward unit, away from the mark
 * @property {number} width of the name
 * @property {Point[]} others further places of the mark at which the name may stand
 */

const HIGH_PX = 16;
const HANDLE_PX = 11;
const EDGE_PX = 4;
const GAP_PX = 16; // between a point and the name beside it

/**
 * Middle of each name, in the order given: the earlier ones choose first.
 * @param {Wanted[]} wanted
 * @param {{width: number, height: number}} stage
 * @param {Point[]} points that are to stay free
 * @returns {Point[]}
 */
export function placeNames(wanted, stage, points) {
  const taken = points.map(({ x, y }) => box(x, y, 2 * HANDLE_PX, 2 * HANDLE_PX));
  return wanted.map((name) => {
    let best = null;
    let least = Infinity;
    for (const [rank, spot] of spotsOf(name).entries()) {
      const x = inside(spot.x, name.width / 2 + EDGE_PX, stage.width);
      const y = inside(spot.y, HIGH_PX / 2 + EDGE_PX, stage.height);
      const own = box(x, y, name.width, HIGH_PX);
      const moved = Math.hypot(x - spot.x, y - spot.y); // pushed back from the edge of the stage
      const cost = taken.reduce((sum, other) => sum + shared(own, other), 0) + rank + moved / 4;
      if (cost < least) {
        least = cost;
        best = own;
      }
    }
    taken.push(best);
    return { x: best.x, y: best.y };
  });
}

/** Places to try, the best first: outward of the mark, then around each of its points. */
function spotsOf({ at, outward, width, others }) {
  const aside = width / 2 + GAP_PX;
  const around = ({ x, y }) => [
    { x, y: y - 1.5 * GAP_PX }, { x, y: y + 1.5 * GAP_PX }, { x: x - aside, y }, { x: x + aside, y },
  ];
  const first = { x: at.x + outward.x * aside, y: at.y + outward.y * 1.4 * GAP_PX };
  return [first, ...around(at), ...others.flatMap(around)];
}

function box(x, y, width, height) {
  return { x, y, width, height };
}

/** Area that two boxes share, px squared. */
function shared(a, b) {
  const across = (a.width + b.width) / 2 - Math.abs(a.x - b.x);
  const down = (a.height + b.height) / 2 - Math.abs(a.y - b.y);
  return across > 0 && down > 0 ? across * down : 0;
}

function inside(value, margin, size) {
  return size < 2 * margin ? size / 2 : clamp(value, margin, size - margin);
}
