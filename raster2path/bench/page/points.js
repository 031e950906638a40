/** Single points of an edge, dragged or taken out: the last resort. */

/** @import {Point} from "./types.js" */
/** @import {Sheet} from "./sheet.js" */
/** @import {Wire} from "./wire.js" */

import { draw, make, the } from "./make.js";
import { apart, inverse, mapped } from "./space.js";
import { length } from "./units.js";
import { offer } from "./words.js";

const PAUSE_MS = 700;
const APART_PX = 48;

export class EdgePoints {
  /** @param {Sheet} sheet @param {Wire} wire */
  constructor(sheet, wire) {
    this.sheet = sheet;
    this.wire = wire;
    /** @type {Point | null} a place on the edge, in the picture */
    this.at = null;
    /** @type {Point[]} as they are on the sheet */
    this.points = [];
    /** @type {Point[]} as they are drawn, one of them perhaps on its way */
    this.shown = [];
    this.group = draw("g");
    this.timer = 0;
    wire.addEventListener("drawing", () => this.at && this.#fetch());
  }

  /** Show the points of the edge at a place. @param {Point} mm */
  async start(mm) {
    this.at = this.#px(mm);
    const box = the("doing", HTMLDivElement);
    const end = make("button", { type: "button", class: "strong", click: () => this.stop() }, "done");
    box.replaceChildren("drag a point, or touch it to take it out", end);
    box.hidden = false;
    await this.#fetch();
    this.#comeNear(mm);
    this.#find(0)?.focus({ preventScroll: true });
  }

  /** So near that a finger can tell one point from the next. @param {Point} mm */
  #comeNear(mm) {
    const { window: seen } = this.sheet;
    const gaps = this.points.map((p, k) => apart(p, this.points[(k + 1) % this.points.length])).sort((a, b) => a - b);
    const gap = (gaps[Math.floor(gaps.length / 4)] ?? 0) * seen.scale;
    if (gap > 0 && gap < APART_PX) this.sheet.zoom(Math.min(6, APART_PX / gap), seen.toScreen(mm));
  }

  stop() {
    if (!this.at) return false;
    this.at = null;
    this.group.remove();
    the("doing", HTMLDivElement).hidden = true;
    return true;
  }

  async #fetch() {
    const { drawing } = this.sheet;
    if (!drawing || !this.at) return;
    const at = mapped(inverse(drawing.upright_from_mm), this.at);
    const answer = await this.wire.quietly("/points", { at });
    if (!answer?.ok || !this.at) return;
    this.points = (await answer.json()).points_mm;
    this.shown = this.points.map((p) => [...p]);
    this.#draw();
  }

  #draw() {
    const focused = this.group.contains(document.activeElement) ? /** @type {SVGElement} */ (document.activeElement).dataset.number : null;
    this.group.replaceChildren(...this.shown.map((p, k) => this.#handle(p, k)));
    this.sheet.marks.append(this.group);
    if (focused) this.#find(Number(focused))?.focus({ preventScroll: true });
  }

  /** @param {Point} p @param {number} k */
  #handle(p, k) {
    const d = `M${p[0]} ${p[1]}h0.001`;
    const words = `point ${k + 1} of ${this.shown.length}, at ${length(p[0], 1)}, ${length(p[1], 1)}`;
    return draw("g", {}, draw("path", { d, class: "dot" }),
      draw("path", { d, class: "dothit", tabindex: 0, role: "button", "aria-label": words, "data-what": "point", "data-number": k }));
  }

  /** @param {number} k @returns {SVGElement | null} */
  #find(k) {
    return this.group.querySelector(`[data-number="${k}"]`);
  }

  /** @param {number} k */
  drag(k) {
    return (/** @type {PointerEvent} */ event, /** @type {"down" | "move" | "up"} */ phase) => {
      if (phase === "down") return;
      this.#put(k, this.sheet.window.toMm(this.sheet.at(event)));
      if (phase === "up") this.#move(k);
    };
  }

  /** @param {number} k @param {Point} to */
  #put(k, to) {
    this.shown[k] = to;
    const d = `M${to[0]} ${to[1]}h0.001`;
    this.#find(k)?.parentElement?.querySelectorAll("path").forEach((path) => path.setAttribute("d", d));
  }

  /** By the keyboard; it counts once the keys rest. @param {number} k @param {Point} by */
  nudge(k, by) {
    const p = this.shown[k];
    if (!p) return;
    this.#put(k, [p[0] + by[0], p[1] + by[1]]);
    clearTimeout(this.timer);
    this.timer = window.setTimeout(() => this.#move(k), PAUSE_MS);
  }

  /** @param {number} k */
  #move(k) {
    return this.wire.change({ do: "point moved", at: this.#px(this.points[k]), to: this.#px(this.shown[k]), near_px: this.#near() });
  }

  /** @param {number} k */
  takeOut(k) {
    return this.wire.change({ do: "point removed", at: this.#px(this.points[k]), near_px: this.#near() });
  }

  /** @param {number} k @param {{x: number, y: number}} at @param {() => void} gone */
  words(k, at, gone) {
    offer(`point ${k + 1}`, [{ word: "take it out", go: () => this.takeOut(k) }, { word: "leave it", go: () => {} }], at, gone);
  }

  /** How near a place means the same point, in the picture. */
  #near() {
    return 2 * (this.sheet.drawing?.px_per_mm ?? 1);
  }

  /** @param {Point} mm @returns {Point} */
  #px(mm) {
    return mapped(this.sheet.drawing?.upright_from_mm ?? [[1, 0, 0], [0, 1, 0], [0, 0, 1]], mm);
  }
}
