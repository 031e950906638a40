/** The paper's corners, dragged on the picture as it came in, with a loupe beside the finger. */

/** @import {Drawing, Point} from "./types.js" */
/** @import {Sheet} from "./sheet.js" */
/** @import {Wire} from "./wire.js" */

import { draw, dress, make, the } from "./make.js";

export class Corners {
  /** @param {Sheet} sheet @param {Wire} wire */
  constructor(sheet, wire) {
    this.sheet = sheet;
    this.wire = wire;
    /** @type {{points: Point[], handles: SVGCircleElement[], line: SVGPathElement} | undefined} */
    this.held = undefined;
    /** @type {SVGSVGElement | undefined} */
    this.loupe = undefined;
  }

  /** Show the paper's corners, to be dragged. */
  start() {
    const drawing = /** @type {Drawing} */ (this.sheet.drawing);
    const image = this.sheet.showUpright(true);
    const scale = drawing.px_per_mm;
    const corners = drawing.picture.corners_px.map(([x, y]) => /** @type {Point} */ ([x / scale, y / scale]));
    const line = draw("path", { class: "mark" });
    const size = () => Math.max(2, 16 / this.sheet.window.scale);
    const handles = corners.map((corner, k) => draw("circle", { class: "loupe", cx: corner[0], cy: corner[1], r: size(), tabindex: 0, role: "button", "aria-label": `corner ${k + 1} of the paper`, "data-what": "corner", "data-number": k }));
    this.held = { points: corners, handles, line };
    this.loupe = draw("svg", { visibility: "hidden" }, draw("rect", { width: "100%", height: "100%", fill: "var(--ground)" }));
    if (image) this.loupe.append(image.cloneNode());
    this.loupe.append(draw("path", { class: "mark", "stroke-width": 2 }));
    this.sheet.marks.append(line, ...handles, this.loupe);
    this.#drawn();
    const box = the("doing", HTMLDivElement);
    const cancel = make("button", { type: "button", click: () => this.stop() }, "leave it");
    const take = make("button", { type: "button", class: "strong", click: () => this.#take() }, "square it up");
    box.replaceChildren("drag the corners onto the paper's", cancel, take);
    box.hidden = false;
  }

  #drawn() {
    const corners = this.held;
    if (!corners) return;
    corners.line.setAttribute("d", `M${corners.points.map((p) => p.join(" ")).join("L")}Z`);
    corners.points.forEach((p, k) => {
      corners.handles[k].setAttribute("cx", String(p[0]));
      corners.handles[k].setAttribute("cy", String(p[1]));
    });
  }

  /** @param {SVGElement} handle */
  drag(handle) {
    return (/** @type {PointerEvent} */ event, /** @type {"down" | "move" | "up"} */ phase) => {
      if (!this.held) return;
      const at = this.sheet.window.toMm(this.sheet.at(event));
      this.held.points[Number(handle.dataset.number)] = at;
      this.#drawn();
      this.#loupeAt(at, phase !== "up");
    };
  }

  /**
   * What lies under the finger, three times as large, beside it.
   * @param {Point} at @param {boolean} isShown
   */
  #loupeAt(at, isShown) {
    const { loupe } = this;
    if (!loupe) return;
    const size = 170 / this.sheet.window.scale;
    const seen = size / 3;
    const [x, y] = this.sheet.window.toScreen(at);
    dress(loupe, {
      visibility: isShown ? "visible" : "hidden",
      x: at[0] + (x > 260 ? -1.35 : 0.35) * size, y: at[1] + (y > 260 ? -1.35 : 0.35) * size, width: size, height: size,
      viewBox: `${at[0] - seen / 2} ${at[1] - seen / 2} ${seen} ${seen}`,
    });
    loupe.querySelector("path")?.setAttribute("d", `M${at[0] - seen / 6} ${at[1]}h${seen / 3}M${at[0]} ${at[1] - seen / 6}v${seen / 3}`);
  }

  /** @param {number} number @param {Point} by */
  nudge(number, by) {
    const p = this.held?.points[number];
    if (this.held && p) this.held.points[number] = [p[0] + by[0], p[1] + by[1]];
    this.#drawn();
  }

  #take() {
    const points = this.held?.points ?? [];
    const scale = /** @type {Drawing} */ (this.sheet.drawing).px_per_mm;
    const value = points.flatMap((p) => [p[0] * scale, p[1] * scale]).map((v) => v.toFixed(1)).join(",");
    this.stop();
    this.wire.change({ do: "set", key: "paper_corners_px", value });
  }

  /** The corners go. */
  stop() {
    if (!this.held) return false;
    this.held = undefined;
    this.sheet.showUpright(false);
    the("doing", HTMLDivElement).hidden = true;
    return true;
  }

  /** The finger has gone. */
  hideLoupe() {
    this.loupe?.setAttribute("visibility", "hidden");
  }
}
