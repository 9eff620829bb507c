// The outline of a mark as an SVG path, in picture coordinates. Pure.

/** @typedef {import("./mark_kinds.js").Point} Point */

const HEAD_PX = 14; // of an arrow, screen px

/**
 * @param {import("./mark_kinds.js").MarkKind} kind
 * @param {Point[]} points those there are; while placing there may be fewer
 * @param {{scale: {x: number, y: number}, rimPx?: number|null}} look screen px per picture px
 * @returns {string}
 */
export function outlineOf(kind, points, look) {
  if (points.length === 0) return "";
  if (kind.shape === "wheel") return wheelPath(points, look);
  if (kind.shape === "patch") return patchPath(points);
  if (kind.shape === "pair") return through(points) + rings(points, look.rimPx);
  if (kind.shape === "sheet") return through(points) + (points.length === 4 ? "Z" : "");
  return through(points) + (kind.arrow && points.length === 2 ? arrowHead(points, look.scale) : "");
}

/** A polyline. @param {Point[]} points */
export function through(points) {
  return points.map(({ x, y }, index) => `${index ? "L" : "M"}${x} ${y}`).join("");
}

/** An ellipse by its radii and the turn of the first, counter-clockwise as seen, degrees. */
export function ellipse({ x, y }, rx, ry, turnDeg = 0) {
  const turn = (turnDeg * Math.PI) / 180;
  const [dx, dy] = [rx * Math.cos(turn), -rx * Math.sin(turn)];
  const arc = `A${rx} ${ry} ${-turnDeg} 1 1`;
  return `M${x + dx} ${y + dy}${arc} ${x - dx} ${y - dy}${arc} ${x + dx} ${y + dy}Z`;
}

function rings(points, rimPx) {
  return rimPx > 0 ? points.map((point) => ellipse(point, rimPx, rimPx)).join("") : "";
}

function patchPath(points) {
  if (points.length === 1) return "";
  const [a, b] = points.length === 2 ? points : [points[0], points[2]];
  return `M${a.x} ${a.y}H${b.x}V${b.y}H${a.x}Z`;
}

function wheelPath([hub, rim, other], { scale }) {
  if (!rim) return "";
  const spoke = `M${hub.x} ${hub.y}L${rim.x} ${rim.y}`;
  if (!other) {
    // being placed: a circle on the screen
    const radius = Math.hypot((rim.x - hub.x) * scale.x, (rim.y - hub.y) * scale.y);
    return radius > 0 ? spoke + ellipse(hub, radius / scale.x, radius / scale.y) : spoke;
  }
  const rx = Math.hypot(rim.x - hub.x, rim.y - hub.y);
  const ry = Math.hypot(other.x - hub.x, other.y - hub.y);
  const turnDeg = (Math.atan2(hub.y - rim.y, rim.x - hub.x) * 180) / Math.PI;
  return `${spoke}M${hub.x} ${hub.y}L${other.x} ${other.y}${ellipse(hub, rx, ry, turnDeg)}`;
}

function arrowHead([from, to], scale) {
  const dx = (to.x - from.x) * scale.x;
  const dy = (to.y - from.y) * scale.y;
  const length = Math.hypot(dx, dy);
  if (length === 0) return "";
  const [ux, uy] = [dx / length, dy / length];
  // along the way, clear of the handle at the end
  const tip = { x: from.x + 0.65 * (to.x - from.x), y: from.y + 0.65 * (to.y - from.y) };
  const barb = (side) => {
    const x = tip.x + (HEAD_PX * (-ux - side * 0.6 * uy)) / scale.x;
    const y = tip.y + (HEAD_PX * (-uy + side * 0.6 * ux)) / scale.y;
    return `M${x} ${y}L${tip.x} ${tip.y}`;
  };
  return barb(1) + barb(-1);
}

/**
 * Where a fitted line may lie: its standard uncertainty to both sides, true to scale.
 * @param {Point[]} points along the fitted line
 * @param {number} uAngleDeg @param {number} uOffsetPx
 */
export function bandOf(points, uAngleDeg, uOffsetPx) {
  const first = points[0];
  const last = points[points.length - 1];
  const length = Math.hypot(last.x - first.x, last.y - first.y);
  if (!(length > 0)) return "";
  const normal = { x: -(last.y - first.y) / length, y: (last.x - first.x) / length };
  const uAngle = (uAngleDeg * Math.PI) / 180;
  const edge = (side) =>
    dense(points).map((point) => {
      const along = Math.hypot(point.x - first.x, point.y - first.y) - length / 2;
      const u = side * Math.hypot(uOffsetPx, along * uAngle);
      return { x: point.x + u * normal.x, y: point.y + u * normal.y };
    });
  return `${through([...edge(1), ...edge(-1).reverse()])}Z`;
}

/** Two ends say nothing of the waist between them: put points in between. */
function dense(points) {
  if (points.length > 2) return points;
  const [a, b] = points;
  return Array.from({ length: 13 }, (_, index) => ({
    x: a.x + ((b.x - a.x) * index) / 12,
    y: a.y + ((b.y - a.y) * index) / 12,
  }));
}

/**
 * Where the text beside a mark goes: past its first point, away from the rest; beside the rim of a
 * wheel, whose first point is in its middle.
 * @param {import("./mark_kinds.js").MarkKind} kind @param {Point[]} points
 * @returns {{at: Point, outward: {x: number, y: number}}} outward on the screen
 */
export function labelPlace(kind, points, scale) {
  const [first, ...rest] = points;
  const round = kind.shape === "wheel" && rest.length > 0;
  const at = round ? { x: 2 * first.x - rest[0].x, y: 2 * first.y - rest[0].y } : first;
  if (rest.length === 0) return { at, outward: { x: 0.7, y: -0.7 } };
  const mean = {
    x: rest.reduce((sum, { x }) => sum + x, 0) / rest.length,
    y: rest.reduce((sum, { y }) => sum + y, 0) / rest.length,
  };
  const dx = (at.x - mean.x) * scale.x;
  const dy = (at.y - mean.y) * scale.y;
  const length = Math.hypot(dx, dy) || 1;
  return { at, outward: { x: dx / length, y: dy / length } };
}
