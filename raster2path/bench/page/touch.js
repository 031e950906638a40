/** Touching the thing itself: what answers under a finger, a pen, a mouse or the keyboard. */

/** @import {Cut, Drawing, Edge, Point, Tie} from "./types.js" */
/** @import {Sheet} from "./sheet.js" */
/** @import {Wire} from "./wire.js" */

import { Corners } from "./corners.js";
import { Marking } from "./marking.js";
import { EdgePoints } from "./points.js";
import { KINDS } from "./sheet.js";
import { draw, dress, make, the } from "./make.js";
import { apart, boxRound, mapped } from "./space.js";
import { length } from "./units.js";
import { hush, offer } from "./words.js";

const HOLD_MS = 550;
const STILL_PX = 9;

/** @typedef {{id: number, start: Point, at: Point, event: PointerEvent}} Finger */

export class Touch {
  /** @param {Sheet} sheet @param {Wire} wire */
  constructor(sheet, wire) {
    this.sheet = sheet;
    this.wire = wire;
    this.corners = new Corners(sheet, wire);
    /** @type {Map<number, Finger>} */
    this.fingers = new Map();
    /** @type {((event: PointerEvent, phase: "down" | "move" | "up") => void) | null} */
    this.drag = null;
    /** @type {{sign: 1 | -1, width_mm: number, points: Point[], line: SVGPathElement | null} | null} */
    this.brush = null;
    this.marking = new Marking(sheet, wire);
    this.points = new EdgePoints(sheet, wire);
    this.holding = 0;
    /** how far a finger may move and still have tapped, in pixels */
    this.still = STILL_PX;
    this.isTap = false;
    const svg = sheet.svg;
    svg.addEventListener("pointerdown", (event) => this.#down(event));
    svg.addEventListener("pointermove", (event) => this.#move(event));
    svg.addEventListener("pointerup", (event) => this.#up(event));
    svg.addEventListener("pointercancel", (event) => this.#cancel(event));
    svg.addEventListener("contextmenu", (event) => {
      event.preventDefault();
      this.#held([event.clientX, event.clientY]);
    });
    svg.addEventListener("wheel", (event) => {
      event.preventDefault();
      sheet.zoom(Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.0016)), sheet.at(event));
    }, { passive: false });
    svg.addEventListener("moved", () => hush());
    document.addEventListener("pointerdown", (event) => {
      const row = the("words", HTMLDivElement);
      if (!row.contains(/** @type {Node} */ (event.target))) hush();
    }, true);
  }

  // ---- fingers

  /** @param {PointerEvent} event */
  #down(event) {
    if (event.button > 0 || !this.sheet.drawing) return;
    this.sheet.svg.setPointerCapture(event.pointerId);
    const at = this.sheet.at(event);
    this.fingers.set(event.pointerId, { id: event.pointerId, start: at, at, event });
    clearTimeout(this.holding);
    if (this.fingers.size > 1) {
      this.isTap = false;
      this.#give();
      return;
    }
    this.isTap = true;
    if (this.brush) return this.#brushed(event, "down");
    if (this.marking.isOn) return void this.#marked(event, "down");
    const found = this.sheet.under(event.clientX, event.clientY);
    if (found?.dataset.what === "corner") {
      this.drag = this.corners.drag(found);
      this.isTap = false; // a corner has no words: the smallest move counts
    }
    this.still = found?.dataset.what === "point" ? STILL_PX / 3 : STILL_PX;
    if (found?.dataset.what === "point") this.drag = this.points.drag(Number(found.dataset.number));
    if (found?.dataset.what === "tie") this.drag = this.#tieDrag(Number(found.dataset.number), at);
    this.drag?.(event, "down");
    this.holding = window.setTimeout(() => {
      if (this.isTap && !this.drag) {
        this.isTap = false;
        this.#held([event.clientX, event.clientY]);
      }
    }, HOLD_MS);
  }

  /** @param {PointerEvent} event */
  #move(event) {
    this.#tellWhere(event);
    const finger = this.fingers.get(event.pointerId);
    if (!finger) return;
    const at = this.sheet.at(event);
    if (this.isTap && apart(at, finger.start) > this.still) {
      this.isTap = false;
      clearTimeout(this.holding);
      hush();
    }
    if (this.fingers.size === 2) return this.#pinch(finger, at);
    if (this.brush) this.#brushed(event, "move");
    else if (this.marking.isOn) this.#marked(event, "move");
    else if (this.drag && !this.isTap) this.drag(event, "move");
    else if (!this.isTap) this.sheet.pan(at[0] - finger.at[0], at[1] - finger.at[1]);
    finger.at = at;
  }

  /** @param {Finger} finger @param {Point} at */
  #pinch(finger, at) {
    const other = [...this.fingers.values()].find((f) => f !== finger);
    if (!other) return;
    const middle = /** @type {Point} */ ([(at[0] + other.at[0]) / 2, (at[1] + other.at[1]) / 2]);
    this.sheet.pan((at[0] - finger.at[0]) / 2, (at[1] - finger.at[1]) / 2);
    this.sheet.zoom(apart(at, other.at) / Math.max(1, apart(finger.at, other.at)), middle);
    finger.at = at;
  }

  /** @param {PointerEvent} event */
  #up(event) {
    if (!this.fingers.has(event.pointerId)) return;
    clearTimeout(this.holding);
    this.fingers.delete(event.pointerId);
    if (this.brush) return this.#brushed(event, "up");
    if (this.marking.isOn) return void this.#marked(event, "up");
    const { drag } = this;
    this.drag = null;
    if (drag && !this.isTap) return drag(event, "up");
    this.#give();
    if (this.isTap) this.tapped(event.clientX, event.clientY);
  }

  /** @param {PointerEvent} event */
  #cancel(event) {
    this.fingers.delete(event.pointerId);
    clearTimeout(this.holding);
    this.isTap = false;
    this.#give();
  }

  /** A drag that is not to be: what was drawn for it goes. */
  #give() {
    this.drag = null;
    this.corners.hideLoupe();
    this.#forget();
  }

  #forget() {
    this.sheet.marks.querySelectorAll(".ghost").forEach((ghost) => ghost.remove());
  }

  /** @param {PointerEvent} event */
  #tellWhere(event) {
    if (!this.sheet.drawing) return;
    const [x, y] = this.sheet.window.toMm(this.sheet.at(event));
    the("where", HTMLOutputElement).textContent = `${length(x)}, ${length(y)}`;
  }

  // ---- a tap, and a finger held down

  /** @param {number} x @param {number} y of the page */
  tapped(x, y) {
    const drawing = this.sheet.drawing;
    const found = this.sheet.under(x, y);
    if (!drawing || !found) return hush();
    const box = this.sheet.svg.getBoundingClientRect();
    const mm = this.sheet.window.toMm([x - box.left, y - box.top]);
    this.words(found, mm, { x, y });
  }

  /**
   * The words of a thing.
   * @param {SVGElement} found @param {Point} mm where it was touched @param {{x: number, y: number}} at
   */
  words(found, mm, at) {
    const drawing = /** @type {Drawing} */ (this.sheet.drawing);
    const number = Number(found.dataset.number);
    found.classList.add("chosen");
    const gone = () => found.classList.remove("chosen");
    const what = found.dataset.what;
    if (what === "point") return this.points.words(number, at, gone);
    if (what === "edge") return offer(null, this.#edgeWords(drawing.edges[number], mm), at, gone);
    if (what === "tie") return offer(length(drawing.ties[number].width_mm, 1), this.#tieWords(drawing.ties[number]), at, gone);
    if (what === "cut") return offer(`cut ${number}`, this.#cutWords(drawing.cuts[number - 1], mm), at, gone);
    if (what === "face") return offer(null, this.#faceWords(drawing.edges[number], mm), at, gone);
    return gone();
  }

  /** @param {Edge} edge @param {Point} mm */
  #edgeWords(edge, mm) {
    const kinds = Object.entries(KINDS).map(([kind, word]) => ({
      word,
      is: edge.kind === kind,
      go: () => this.wire.change({ do: "kind", kind, at: this.px(nearestOn(edge.d, mm)), near_px: this.#px(8) }),
    }));
    return [...kinds, { word: "points", go: () => void this.points.start(nearestOn(edge.d, mm)) }];
  }

  /** @param {Tie} tie */
  #tieWords(tie) {
    const box = this.boxOf(tie);
    const wider = (/** @type {number} */ by) => () =>
      this.wire.change({ do: "tie widened", box, at: this.px(tie.at_mm), width_mm: Math.max(5, Math.round(tie.width_mm * by * 2) / 2) });
    const isLost = this.#isLost(tie);
    return [
      { word: "wider", go: wider(1.4) },
      { word: "narrower", go: wider(1 / 1.4) },
      { word: "remove", go: () => this.wire.change({ do: "tie removed", box }) },
      {
        word: isLost ? "it holds" : "burnt through",
        go: () => this.wire.change({ do: "tie lost", at: this.px(tie.at_mm), near_px: this.#px(10), is_lost: !isLost }),
      },
    ];
  }

  /** @param {Tie} tie */
  #isLost(tie) {
    const lost = this.wire.state.open?.corrections.lost_ties_px ?? [];
    return lost.some((place) => apart(/** @type {Point} */ (place), this.px(tie.at_mm)) < this.#px(10));
  }

  /** @param {Edge} edge @param {Point} mm */
  #faceWords(edge, mm) {
    const at = this.px(mm);
    const face = (/** @type {boolean} */ falls) => () => this.wire.change({ do: "face", falls, at, near_px: this.#px(4) });
    const tie = { word: "tie here", go: () => this.wire.change({ do: "tie added", at }) };
    const words = [
      { word: "falls out", is: edge.falls, go: face(true) },
      { word: "stays", is: !edge.falls, go: face(false) },
    ];
    return this.sheet.place === "sign" && edge.falls ? [...words, tie] : words;
  }

  /** @param {Cut} cut @param {Point} mm */
  #cutWords(cut, mm) {
    const { number } = cut;
    const at = this.px(mm);
    const near_px = this.#px(15);
    const strayed = (this.wire.state.open?.corrections.strayed_px ?? []).some((place) => apart(/** @type {Point} */ (place), at) < near_px);
    return [
      { word: "next", go: () => this.sheet.svg.dispatchEvent(new CustomEvent("next", { detail: number })) },
      { word: "done", go: () => this.sheet.svg.dispatchEvent(new CustomEvent("done", { detail: number })) },
      { word: strayed ? "not strayed" : "strayed here", go: () => this.wire.change({ do: "strayed", at, near_px, is_so: !strayed }) },
    ];
  }

  /** @param {Point} page */
  #held([x, y]) {
    if (!this.sheet.drawing || this.brush || this.sheet.place === "steel") return;
    offer("ink", [
      { word: "rub out", go: () => this.startBrush(-1) },
      { word: "paint in", go: () => this.startBrush(1) },
    ], { x, y });
  }

  // ---- the brush

  /** @param {1 | -1} sign */
  startBrush(sign) {
    const had = Number(sessionStorage.getItem("brush_mm")) || 6;
    this.brush = { sign, width_mm: had, points: [], line: null };
    this.sheet.svg.classList.add("brushing");
    const size = make("input", { type: "range", min: 1, max: 40, step: 1, value: had, "aria-label": `width of the brush, ${length(had)}` });
    size.value = String(had);
    const told = make("span", {}, length(had));
    size.addEventListener("input", () => {
      if (this.brush) this.brush.width_mm = Number(size.value);
      sessionStorage.setItem("brush_mm", size.value);
      told.textContent = length(Number(size.value));
    });
    this.#doing(sign < 0 ? "rubbing out" : "painting in", [size, told]);
  }

  /** Draw round a word, say. */
  startMarking() {
    this.marking.start();
    this.sheet.svg.classList.add("brushing");
    this.#doing("draw round it, or straight across it", []);
  }

  /** @param {string} words @param {Node[]} inside */
  #doing(words, inside) {
    const box = the("doing", HTMLDivElement);
    const end = make("button", { type: "button", class: "strong", click: () => this.stop() }, "done");
    box.replaceChildren(words, ...inside, end);
    box.hidden = false;
    end.focus({ preventScroll: true });
  }

  /** Put the brush down. */
  stop() {
    if (this.points.stop()) return true;
    if (!this.brush && !this.marking.isOn) return false;
    this.brush?.line?.remove();
    this.brush = null;
    this.marking.stop();
    this.sheet.marks.replaceChildren();
    this.#putDown();
    return true;
  }

  #putDown() {
    this.sheet.svg.classList.remove("brushing");
    the("doing", HTMLDivElement).hidden = true;
  }

  /** @param {PointerEvent} event @param {"down" | "move" | "up"} phase */
  #brushed(event, phase) {
    const { brush } = this;
    if (!brush) return;
    const mm = this.sheet.window.toMm(this.sheet.at(event));
    if (phase === "down") {
      brush.points = [mm];
      brush.line = draw("path", { class: "brushline", "stroke-width": brush.width_mm, stroke: brush.sign > 0 ? "#233a5c" : "#fffdf6" });
      this.sheet.marks.append(brush.line);
    }
    const last = brush.points[brush.points.length - 1];
    if (phase === "move" && last && apart(last, mm) > brush.width_mm / 8) brush.points.push(mm);
    brush.line?.setAttribute("d", `M${brush.points.map((p) => p.map((v) => v.toFixed(2)).join(" ")).join("L")}${brush.points.length < 2 ? "h0.01" : ""}`);
    if (phase !== "up" || !brush.points.length) return;
    const px = brush.points.flatMap((p) => this.px(p));
    const { line } = brush;
    brush.points = [];
    brush.line = null;
    this.wire.change({ do: "ink", stroke: [brush.sign * this.#px(brush.width_mm), ...px] });
    this.wire.addEventListener("drawing", () => line?.remove(), { once: true });
  }

  /** @param {PointerEvent} event @param {"down" | "move" | "up"} phase */
  #marked(event, phase) {
    if (this.marking.drawn(event, phase)) this.#putDown();
  }

  // ---- ties and corners, dragged

  /** @param {number} number @param {Point} start */
  #tieDrag(number, start) {
    const drawing = /** @type {Drawing} */ (this.sheet.drawing);
    const tie = drawing.ties[number];
    const from = this.sheet.window.toMm(start);
    const d = `M${tie.corners_mm.map((p) => p.join(" ")).join("L")}Z`;
    const ghost = draw("path", { d, class: "tie ghost" });
    const was = this.sheet.find("tie", number);
    return (/** @type {PointerEvent} */ event, /** @type {"down" | "move" | "up"} */ phase) => {
      if (phase === "down") return;
      const mm = this.sheet.window.toMm(this.sheet.at(event));
      const by = /** @type {Point} */ ([mm[0] - from[0], mm[1] - from[1]]);
      if (!ghost.isConnected) this.sheet.marks.append(ghost);
      was?.setAttribute("opacity", "0.3");
      ghost.setAttribute("d", d);
      ghost.setAttribute("transform", `translate(${by[0]} ${by[1]})`);
      const trying = this.#tryTie([tie.at_mm[0] + by[0], tie.at_mm[1] + by[1]], tie.width_mm, ghost);
      if (phase === "up") trying.then(() => this.moveTie(tie, by));
    };
  }

  /**
   * Where a dragged tie would land: asked one at a time, the newest place next.
   * @param {Point} at @param {number} width_mm @param {SVGElement} ghost
   */
  #tryTie(at, width_mm, ghost) {
    this.trying = { at, width_mm, ghost };
    if (!this.isTrying) this.allTried = this.#tryAll();
    return /** @type {Promise<void>} */ (this.allTried);
  }

  async #tryAll() {
    this.isTrying = true;
    while (this.trying) {
      const { at: place, width_mm: width, ghost: shown } = this.trying;
      this.trying = undefined;
      const since = performance.now();
      const answer = await fetch("/try", { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify({ at: place, width_mm: width }) }).catch(() => null);
      const told = answer?.ok ? await answer.json() : {};
      const corners = told.corners_mm;
      shown.classList.toggle("nowhere", !corners);
      this.#ghostWords(shown, place, corners ? `${length(told.width_mm, 1)} wide, ${length(told.length_mm, 1)} long` : "reaches across nothing here");
      if (corners && shown.isConnected) {
        shown.removeAttribute("transform");
        shown.setAttribute("d", `M${corners.map((/** @type {Point} */ p) => p.join(" ")).join("L")}Z`);
      }
      requestAnimationFrame(() => setTimeout(() => performance.measure("tie tried", { start: since })));
    }
    this.isTrying = false;
  }

  /**
   * What a dragged tie would be, beside it.
   * @param {SVGElement} ghost @param {Point} at @param {string} words
   */
  #ghostWords(ghost, at, words) {
    if (!ghost.isConnected) return;
    const { scale } = this.sheet.window;
    const text = this.sheet.marks.querySelector("text.ghost") ?? draw("text", { class: "ghost told" });
    text.textContent = words;
    dress(text, { x: at[0], y: at[1] - 26 / scale, "font-size": 17 / scale });
    this.sheet.marks.append(text);
  }

  /** @param {Tie} tie @param {Point} by in mm */
  moveTie(tie, by) {
    const to = this.px([tie.at_mm[0] + by[0], tie.at_mm[1] + by[1]]);
    this.wire.addEventListener("drawing", () => this.#forget(), { once: true });
    return this.wire.change({ do: "tie moved", box: this.boxOf(tie), to, is_mine: tie.is_mine });
  }

  // ---- from the sheet to the picture

  /** @param {Point} mm @returns {Point} */
  px(mm) {
    return mapped(/** @type {Drawing} */ (this.sheet.drawing).upright_from_mm, mm);
  }

  /** @param {number} mm */
  #px(mm) {
    return mm * /** @type {Drawing} */ (this.sheet.drawing).px_per_mm;
  }

  /** @param {Tie} tie */
  boxOf(tie) {
    return boxRound(/** @type {Drawing} */ (this.sheet.drawing).upright_from_mm, tie.corners_mm);
  }
}

/**
 * The place on a path nearest to a point.
 * @param {string} d @param {Point} mm @returns {Point}
 */
function nearestOn(d, mm) {
  const path = draw("path", { d });
  const total = path.getTotalLength();
  let best = /** @type {Point} */ ([0, 0]);
  let least = Infinity;
  const look = (/** @type {number} */ at) => {
    const p = path.getPointAtLength(at);
    const away = Math.hypot(p.x - mm[0], p.y - mm[1]);
    if (away < least) [least, best] = [away, [p.x, p.y]];
  };
  for (let k = 0; k < 300; k += 1) look((total * k) / 300);
  return best;
}
