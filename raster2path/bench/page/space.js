/** From the screen to millimetres on the sheet, and to pixels of the upright picture, and back. */

/** @import {Point} from "./types.js" */

/**
 * @param {number[][]} m a homography, 3 × 3
 * @param {Point} p
 * @returns {Point}
 */
export function mapped(m, [x, y]) {
  const w = m[2][0] * x + m[2][1] * y + m[2][2];
  return [(m[0][0] * x + m[0][1] * y + m[0][2]) / w, (m[1][0] * x + m[1][1] * y + m[1][2]) / w];
}

/**
 * @param {number[][]} m
 * @returns {number[][]}
 */
export function inverse(m) {
  const [[a, b, c], [d, e, f], [g, h, i]] = m;
  const out = [
    [e * i - f * h, c * h - b * i, b * f - c * e],
    [f * g - d * i, a * i - c * g, c * d - a * f],
    [d * h - e * g, b * g - a * h, a * e - b * d],
  ];
  const det = a * out[0][0] + b * out[1][0] + c * out[2][0];
  return out.map((row) => row.map((value) => value / det));
}

/**
 * The box in the upright picture round some points on the sheet.
 * @param {number[][]} m
 * @param {Point[]} points
 * @param {number} [roomPx]
 * @returns {number[]} x, y, width, height
 */
export function boxRound(m, points, roomPx = 0) {
  const all = points.map((p) => mapped(m, p));
  const xs = all.map((p) => p[0]);
  const ys = all.map((p) => p[1]);
  const x = Math.min(...xs) - roomPx;
  const y = Math.min(...ys) - roomPx;
  return [x, y, Math.max(...xs) + roomPx - x, Math.max(...ys) + roomPx - y];
}

/** @param {Point} a @param {Point} b */
export function apart(a, b) {
  return Math.hypot(a[0] - b[0], a[1] - b[1]);
}

/** Where the sheet is on the screen. */
export class Window {
  constructor() {
    this.x = 0;
    this.y = 0;
    /** pixels of the screen for a millimetre */
    this.scale = 1;
  }

  /** @param {Point} px @returns {Point} */
  toMm([x, y]) {
    return [this.x + x / this.scale, this.y + y / this.scale];
  }

  /** @param {Point} mm @returns {Point} */
  toScreen([x, y]) {
    return [(x - this.x) * this.scale, (y - this.y) * this.scale];
  }

  /**
   * Nearer (above 1) or farther, about a place on the screen.
   * @param {number} by @param {Point} px
   */
  zoom(by, px) {
    const mm = this.toMm(px);
    this.scale = Math.min(200, Math.max(0.05, this.scale * by));
    this.x = mm[0] - px[0] / this.scale;
    this.y = mm[1] - px[1] / this.scale;
  }

  /**
   * All of a box on the screen, with a rim.
   * @param {number[]} box @param {number} width @param {number} height @param {number[]} rim top, right, bottom, left
   */
  show(box, width, height, rim) {
    const [top, right, bottom, left] = rim;
    const room = [Math.max(60, width - left - right), Math.max(60, height - top - bottom)];
    this.scale = Math.min(room[0] / box[2], room[1] / box[3]);
    this.x = box[0] + box[2] / 2 - (left + room[0] / 2) / this.scale;
    this.y = box[1] + box[3] / 2 - (top + room[1] / 2) / this.scale;
  }
}
