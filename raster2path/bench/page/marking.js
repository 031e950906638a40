/** Drawing round a word or a stretch of an edge, to say something of all that lies in it. */

/** @import {Drawing, Point} from "./types.js" */
/** @import {Sheet} from "./sheet.js" */
/** @import {Wire} from "./wire.js" */

import { KINDS } from "./sheet.js";
import { draw } from "./make.js";
import { apart, boxRound, mapped } from "./space.js";
import { offer } from "./words.js";

const MOST_POINTS = 200;

/** Across rather than round: the loop takes in less than so much of its length, squared. */
const THIN = 0.006;

export class Marking {
  /** @param {Sheet} sheet @param {Wire} wire */
  constructor(sheet, wire) {
    this.sheet = sheet;
    this.wire = wire;
    this.isOn = false;
    /** @type {Point[]} */
    this.points = [];
  }

  start() {
    this.isOn = true;
    this.points = [];
  }

  stop() {
    this.isOn = false;
    this.points = [];
  }

  /**
   * @param {PointerEvent} event @param {"down" | "move" | "up"} phase
   * @returns {boolean} true once it is drawn
   */
  drawn(event, phase) {
    const mm = this.sheet.window.toMm(this.sheet.at(event));
    if (phase === "down") this.points = [];
    const last = this.points[this.points.length - 1];
    if (!last || apart(last, mm) * this.sheet.window.scale > 3) this.points.push(mm);
    const corners = this.#corners();
    this.sheet.marks.replaceChildren(draw("path", { class: "mark", d: `M${corners.map((p) => p.join(" ")).join("L")}Z` }));
    if (phase !== "up") return false;
    const isBox = this.#isAcross();
    this.stop();
    this.#ask(corners, isBox, event);
    return true;
  }

  /** A straight drag is the diagonal of a box. */
  #isAcross() {
    const { points } = this;
    let area = 0;
    let length = 0;
    points.forEach((p, k) => {
      const q = points[(k + 1) % points.length];
      area += (p[0] * q[1] - q[0] * p[1]) / 2;
      length += apart(p, q);
    });
    return points.length < 4 || Math.abs(area) < THIN * length * length;
  }

  /** @returns {Point[]} */
  #corners() {
    const { points } = this;
    const [from, to] = [points[0], points[points.length - 1]];
    if (this.#isAcross()) return [from, [to[0], from[1]], to, [from[0], to[1]]];
    const step = Math.ceil(points.length / MOST_POINTS);
    return points.filter((_, k) => k % step === 0);
  }

  /** @param {Point[]} corners @param {boolean} isBox @param {PointerEvent} event */
  #ask(corners, isBox, event) {
    const m = /** @type {Drawing} */ (this.sheet.drawing).upright_from_mm;
    const loop = corners.flatMap((p) => mapped(m, p));
    const place = isBox ? { box: boxRound(m, corners) } : { loop };
    const kinds = Object.entries(KINDS).map(([kind, word]) => ({ word, go: () => this.wire.change({ do: "kind", kind, ...place }) }));
    const eases = ["looser", "stricter"].map((ease) => ({ word: ease, go: () => this.wire.change({ do: "ease", ease, loop }) }));
    offer(null, [...kinds, ...eases], { x: event.clientX, y: event.clientY }, () => this.sheet.marks.querySelector(".mark")?.remove());
  }
}
