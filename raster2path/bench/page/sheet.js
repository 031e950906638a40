/** The canvas: photograph, ink and lines as layers over one another, sharp at any nearness. */

/** @import {Cut, Drawing, Edge, Point, Tie} from "./types.js" */

import { draw, dress, make, say, the } from "./make.js";
import { Window } from "./space.js";
import { length, units } from "./units.js";

export const KINDS = /** @type {Record<string, string>} */ ({ organic: "flowing", lettering: "lettering", geometric: "ruled" });
const LAYERS = /** @type {const} */ (["photograph", "ink", "metal", "drawn", "edges", "ties", "torch", "numbers", "heat"]);
const NAMES = { photograph: "photograph", ink: "ink", metal: "metal", drawn: "as drawn", edges: "edges", ties: "ties", torch: "torch lines", numbers: "numbers", heat: "heat" };

/** What a place shows, in percent; the fade goes on from there. */
const SHOWN = /** @type {Record<string, Record<string, number>>} */ ({
  drawing: { photograph: 100, ink: 0, metal: 0, drawn: 60, edges: 100, ties: 70, torch: 0, numbers: 0, heat: 0 },
  sign: { photograph: 45, ink: 0, metal: 100, drawn: 0, edges: 70, ties: 100, torch: 0, numbers: 0, heat: 0 },
  steel: { photograph: 0, ink: 0, metal: 70, drawn: 0, edges: 0, ties: 100, torch: 100, numbers: 100, heat: 0 },
});
const FADES = /** @type {Record<string, number>} */ ({ drawing: 50, sign: 86, steel: 100 });

export class Sheet {
  constructor() {
    this.svg = the("sheet", SVGSVGElement);
    this.window = new Window();
    /** @type {Drawing | null} */
    this.drawing = null;
    this.place = "drawing";
    this.drawnKey = "";
    /** @type {Record<string, Record<string, number>>} */
    this.shown = structuredClone(SHOWN);
    this.fades = { ...FADES };
    /** whether someone has chosen where to look */
    this.isMoved = false;
    this.world = draw("g");
    this.paper = draw("rect", { fill: "var(--paper)" });
    /** @type {Record<string, SVGGElement>} */
    this.layers = {};
    this.hits = draw("g");
    this.marks = draw("g");
    this.photograph = draw("image", { preserveAspectRatio: "none" });
    this.ink = draw("image", { preserveAspectRatio: "none" });
    this.world.append(this.paper);
    for (const name of LAYERS) this.world.append((this.layers[name] = draw("g", { "data-layer": name })));
    this.layers.photograph.append(this.photograph);
    this.layers.ink.append(this.ink);
    this.world.append(this.hits, this.marks);
    this.svg.append(this.world);
    new ResizeObserver(() => this.#resized()).observe(this.svg);
    the("fade", HTMLInputElement).addEventListener("input", (event) => {
      this.fades[this.place] = Number(/** @type {HTMLInputElement} */ (event.target).value);
      this.fade();
    });
    this.#offerLayers();
  }

  /** @param {string} place */
  go(place) {
    this.place = place;
    the("fade", HTMLInputElement).value = String(this.fades[place]);
    this.#offerLayers();
    if (this.drawing) {
      this.#underlay(this.drawing);
      this.#hitsAndNumbers(this.drawing);
    }
    this.fade();
  }

  /** @param {Drawing} drawing */
  take(drawing) {
    const isOther = this.drawing?.name !== drawing.name;
    this.world.classList.toggle("rough", Boolean(drawing.is_rough));
    const had = this.drawing;
    this.drawing = drawing;
    this.#underlay(drawing);
    this.#pictures(drawing);
    this.#lines(drawing);
    this.#hitsAndNumbers(drawing);
    this.fade();
    const isMoved = had && had.sign_mm.some((value, k) => Math.abs(value - drawing.sign_mm[k]) > 5);
    if (isOther || isMoved || !this.isMoved) this.whole();
    else this.moved();
  }

  /** Paper under all of it: the sheet, and while the drawing is looked at, all of the photograph. @param {Drawing} drawing */
  #underlay(drawing) {
    const boxes = this.place === "drawing" ? [this.#all(drawing), drawing.picture.box_mm] : [this.#all(drawing)];
    const x = Math.min(...boxes.map((box) => box[0]));
    const y = Math.min(...boxes.map((box) => box[1]));
    dress(this.paper, { x, y, width: Math.max(...boxes.map((box) => box[0] + box[2])) - x, height: Math.max(...boxes.map((box) => box[1] + box[3])) - y });
  }

  /** Nothing to draw. */
  clear() {
    this.drawing = null;
    this.drawnKey = "";
    this.isMoved = false;
    for (const name of LAYERS) if (name !== "photograph" && name !== "ink") this.layers[name].replaceChildren();
    this.photograph.removeAttribute("href");
    this.ink.removeAttribute("href");
    this.hits.replaceChildren();
    this.marks.replaceChildren();
    dress(this.paper, { width: 0, height: 0 });
  }

  /** @param {Drawing} drawing */
  #all(drawing) {
    if (drawing.sheet_mm) return [0, 0, ...drawing.sheet_mm];
    const [x, y, width, height] = drawing.sign_mm;
    const rim = 0.03 * Math.max(width, height);
    return [x - rim, y - rim, width + 2 * rim, height + 2 * rim];
  }

  /** @param {Drawing} drawing */
  #pictures(drawing) {
    const [x, y, width, height] = drawing.picture.box_mm;
    dress(this.photograph, { x, y, width, height });
    dress(this.ink, { x, y, width, height });
    if (!drawing.picture.key) return;
    const photograph = `/seen/${drawing.picture.key}.jpg`;
    if (this.photograph.getAttribute("href") !== photograph) this.photograph.setAttribute("href", photograph);
    if (this.#isWaiting(drawing) || this.shown[this.place].ink > 0 || this.ink.hasAttribute("href")) this.#showInk(drawing);
  }

  /** Nothing but the ink is there yet. @param {Drawing} drawing */
  #isWaiting(drawing) {
    return !drawing.number && !drawing.edges.length;
  }

  /** @param {Drawing} drawing */
  #showInk(drawing) {
    if (!drawing.picture.ink) return;
    const ink = `/seen/${drawing.picture.ink}.png`;
    if (this.ink.getAttribute("href") !== ink) this.ink.setAttribute("href", ink);
  }

  /** @param {Drawing} drawing */
  #lines(drawing) {
    const { layers } = this;
    const whole = drawing.edges.map((edge) => edge.d).join(" ");
    layers.metal.replaceChildren(draw("path", { d: whole, fill: "var(--metal)", "fill-rule": "evenodd" }));
    for (const d of drawing.slits) {
      layers.metal.append(draw("path", { d, fill: "none", stroke: "var(--paper)", "stroke-width": Math.max(0.2, drawing.kerf_mm), "stroke-linecap": "round" }));
    }
    this.#showDrawn(drawing.drawn);
    layers.edges.replaceChildren(
      ...drawing.edges.map((edge) => draw("path", { d: edge.d, class: `thin ${KINDS[edge.kind]}`, "stroke-width": edge.kind === "lettering" ? 2.6 : 2 })),
      ...drawing.slits.map((d) => draw("path", { d, class: "thin flowing", "stroke-width": 2 })),
    );
    layers.torch.replaceChildren(...drawing.cuts.flatMap((cut) => this.#torch(cut)));
    layers.heat.replaceChildren(...drawing.cuts.map((cut, k) => draw("path", { d: cut.d ?? "", class: "thin", "data-heat": k, stroke: heat(0), "stroke-width": 5 })));
  }

  /**
   * The lines as drawn; they are many points and seldom change, so they come apart.
   * @param {string} key
   */
  async #showDrawn(key) {
    if (!key || this.drawnKey === key) return;
    this.drawnKey = key;
    const answer = await fetch(`/seen/${key}.json`).catch(() => null);
    if (!answer?.ok || this.drawnKey !== key) return;
    const lines = /** @type {string[]} */ (await answer.json());
    this.layers.drawn.replaceChildren(...lines.map((d) => draw("path", { d, class: "thin", stroke: "#7b2d8b", "stroke-width": 1.2 })));
  }

  /** @param {Cut} cut */
  #torch(cut) {
    const width = cut.kind === "lettering" ? 2.6 : cut.kind === "geometric" ? 1.6 : 2;
    const kind = KINDS[cut.kind];
    const out = [cut.lead, cut.run].filter((d) => d).map((d) => draw("path", { d, class: `thin ${kind}`, "stroke-width": 1.2, "data-cut": cut.number }));
    if (cut.d) out.push(draw("path", { d: cut.d, class: `thin ${kind}`, "stroke-width": width, "data-cut": cut.number }));
    const [x, y] = cut.pierce_mm;
    return [...out, draw("circle", { cx: x, cy: y, r: 1.6, class: `thin ${kind}`, "stroke-width": 1.6, "data-cut": cut.number })];
  }

  /** @param {Drawing} drawing */
  #hitsAndNumbers(drawing) {
    const focused = document.activeElement instanceof SVGElement ? document.activeElement.dataset : null;
    const had = focused ? [focused.what, focused.number] : null;
    this.layers.ties.replaceChildren(...drawing.ties.map((tie) => this.#tie(tie, drawing)));
    const faces = [...drawing.edges].sort((a, b) => b.box_mm[2] * b.box_mm[3] - a.box_mm[2] * a.box_mm[3]);
    this.hits.replaceChildren(...faces.map((edge) => draw("path", { d: edge.d, class: "face", "data-what": "face", "data-number": edge.number })));
    if (this.place === "drawing") this.hits.append(...drawing.edges.map((edge) => this.#edge(edge, drawing)));
    if (this.place === "sign") {
      const ties = drawing.ties.map((tie) => this.#tie(tie, drawing));
      this.layers.ties.replaceChildren();
      this.hits.append(...ties);
    }
    if (this.place === "steel") this.hits.append(...drawing.cuts.filter((cut) => cut.d).map((cut) => this.#cut(cut, drawing)));
    this.layers.numbers.replaceChildren(...drawing.cuts.map((cut) => this.#number(cut)));
    if (had) this.find(String(had[0]), Number(had[1]))?.focus({ preventScroll: true });
    this.#numbersSized();
  }

  /** @param {Edge} edge @param {Drawing} drawing */
  #edge(edge, drawing) {
    const words = `edge ${edge.number + 1} of ${drawing.edges.length}, ${KINDS[edge.kind]}, ${length(edge.length_mm)}${edge.is_border ? ", the border" : ""}`;
    return draw("path", { d: edge.d, class: "hit", tabindex: 0, role: "button", "aria-label": words, "data-what": "edge", "data-number": edge.number });
  }

  /** @param {Tie} tie @param {Drawing} drawing */
  #tie(tie, drawing) {
    const d = `M${tie.corners_mm.map((p) => p.join(" ")).join("L")}Z`;
    if (this.place !== "sign") return draw("path", { d, class: "tie", "pointer-events": "none" });
    const used = tie.used_percent === null ? "" : `, carries ${tie.used_percent} % of what it bears`;
    const words = `tie ${tie.number + 1} of ${drawing.ties.length}, ${length(tie.width_mm, 1)} wide, ${length(tie.length_mm, 1)} long${used}`;
    return draw("path", { d, class: "tie", tabindex: 0, role: "button", "aria-label": words, "data-what": "tie", "data-number": tie.number });
  }

  /** @param {Cut} cut @param {Drawing} drawing */
  #cut(cut, drawing) {
    const words = `cut ${cut.number} of ${drawing.cuts.length}, ${KINDS[cut.kind]}, ${length(cut.length_mm)}`;
    return draw("path", { d: cut.d, class: "hit", tabindex: 0, role: "button", "aria-label": words, "data-what": "cut", "data-number": cut.number });
  }

  /** @param {Cut} cut */
  #number(cut) {
    const [x, y] = cut.pierce_mm;
    return draw("g", { class: "number", "data-cut": cut.number }, draw("text", { x, y }, String(cut.number)));
  }

  #numbersSized() {
    const size = Math.max(15 / this.window.scale, 2);
    this.layers.numbers.setAttribute("font-size", String(size));
    this.#thinOut(size);
  }

  /** Numbers that would lie over one another wait until one comes nearer. @param {number} size in mm */
  #thinOut(size) {
    /** @type {[number, number, number][]} */
    const kept = [];
    this.drawing?.cuts.forEach((cut, k) => {
      const [x, y] = cut.pierce_mm;
      const half = 0.33 * size * (String(cut.number).length + 0.4);
      const isFree = kept.every(([a, b, other]) => Math.abs(a - x) > half + other || Math.abs(b - y) > size);
      if (isFree) kept.push([x, y, half]);
      this.layers.numbers.children[k]?.setAttribute("visibility", isFree ? "visible" : "hidden");
    });
  }

  /** @param {string} what @param {number} number @returns {SVGElement | null} */
  find(what, number) {
    return this.hits.querySelector(`[data-what="${what}"][data-number="${number}"]`);
  }

  /** Opacity of every layer, from the fade and the layers' own. */
  fade() {
    const at = this.fades[this.place] / 100;
    const photograph = Math.min(1, 2 * (1 - at));
    const lines = Math.min(1, 2 * at);
    const shown = this.shown[this.place];
    for (const name of LAYERS) {
      const share = name === "photograph" || name === "ink" ? (name === "ink" ? 1 : photograph) : name === "metal" ? Math.max(0, 2 * at - 1) : lines;
      const isOnly = name === "ink" && this.drawing && this.#isWaiting(this.drawing);
      const opacity = isOnly ? 1 : (shown[name] / 100) * share;
      this.layers[name].setAttribute("opacity", opacity.toFixed(3));
      this.layers[name].style.display = opacity < 0.005 ? "none" : "";
    }
    if (this.drawing && shown.ink > 0) this.#showInk(this.drawing);
  }

  #offerLayers() {
    const box = the("layers", HTMLDetailsElement).querySelector("div");
    box?.replaceChildren(
      ...LAYERS.map((name) => {
        const slider = make("input", {
          type: "range", min: 0, max: 100, value: this.shown[this.place][name],
          input: () => {
            this.shown[this.place][name] = Number(slider.value);
            this.fade();
          },
        });
        slider.value = String(this.shown[this.place][name]);
        return make("label", {}, NAMES[name], slider);
      }),
    );
  }

  // ---- where one looks

  #size() {
    const box = this.svg.getBoundingClientRect();
    return { width: box.width, height: box.height };
  }

  #resized() {
    if (this.drawing && !this.isMoved) this.whole();
    else this.moved();
  }

  /** All of the sign. */
  whole() {
    const { width, height } = this.#size();
    if (!this.drawing || !width || !height) return;
    this.window.show(this.#all(this.drawing), width, height, [62, 76, 84, 14]);
    this.isMoved = false;
    this.moved();
  }

  /** @param {number} by @param {Point} [px] */
  zoom(by, px) {
    const { width, height } = this.#size();
    this.window.zoom(by, px ?? [width / 2, height / 2]);
    this.isMoved = true;
    this.moved();
  }

  /** @param {number} dx @param {number} dy in pixels of the screen */
  pan(dx, dy) {
    this.window.x -= dx / this.window.scale;
    this.window.y -= dy / this.window.scale;
    this.isMoved = true;
    this.moved();
  }

  /**
   * Bring a place into the middle and ring it.
   * @param {Point} at @param {number | null} size_mm
   */
  showAt(at, size_mm) {
    const { width, height } = this.#size();
    const size = Math.max(40, 6 * (size_mm ?? 12));
    this.window.show([at[0] - size / 2, at[1] - size / 2, size, size], width, height, [60, 60, 80, 14]);
    this.isMoved = true;
    this.moved();
    this.ring(at, Math.max(5, 0.75 * (size_mm ?? 8)));
  }

  /** @param {Point} at @param {number} radius */
  ring(at, radius) {
    const ring = draw("circle", { cx: at[0], cy: at[1], r: radius, class: "alarm" });
    this.marks.append(ring);
    setTimeout(() => ring.remove(), 2500);
  }

  /** The window was moved: transform, rule, sizes that stay the same on the screen. */
  moved() {
    const { x, y, scale } = this.window;
    const transform = `matrix(${scale} 0 0 ${scale} ${-x * scale} ${-y * scale})`;
    const isElsewhere = this.world.getAttribute("transform") !== transform;
    this.world.setAttribute("transform", transform);
    this.#numbersSized();
    this.#rule();
    // News that come while words are offered must not take them away from under the finger.
    if (isElsewhere) this.svg.dispatchEvent(new Event("moved"));
  }

  #rule() {
    const rule = the("rule", SVGSVGElement);
    if (!this.drawing) return rule.replaceChildren();
    const unit = units.inch ? 25.4 : 1;
    const steps = units.inch ? [0.125, 0.25, 0.5, 1, 2, 6, 12, 24] : [0.1, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000];
    const step = steps.find((s) => s * unit * this.window.scale * 5 >= 110) ?? steps[steps.length - 1];
    const px = step * unit * this.window.scale;
    const n = Math.max(1, Math.min(5, Math.floor(220 / px)));
    const ticks = Array.from({ length: n + 1 }, (_, k) => `M${8 + k * px} ${k % n ? 14 : 9}V20`).join("");
    const words = `${Number((n * step).toFixed(3))} ${units.word}`;
    rule.replaceChildren(
      draw("rect", { x: 0, y: 0, width: n * px + 32 + 10.5 * words.length, height: 32, rx: 10 }),
      draw("path", { d: `${ticks}M8 20H${8 + n * px}` }),
      draw("text", { x: n * px + 16, y: 21 }, words),
    );
  }

  /** @param {PointerEvent | MouseEvent} event @returns {Point} */
  at(event) {
    const box = this.svg.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  /**
   * What lies under the finger, the most particular first.
   * @param {number} x @param {number} y of the page
   * @returns {SVGElement | null}
   */
  under(x, y) {
    for (const [dx, dy] of [[0, 0], [7, 0], [-7, 0], [0, 7], [0, -7]]) {
      const found = document.elementsFromPoint(x + dx, y + dy).filter((e) => e instanceof SVGElement && e.dataset.what);
      for (const what of ["point", "corner", "tie", "cut", "edge", "face"]) {
        if ((dx || dy) && what === "face") continue;
        const one = found.find((e) => e instanceof SVGElement && e.dataset.what === what);
        if (one) return /** @type {SVGElement} */ (one);
      }
    }
    return null;
  }

  /**
   * The picture as it came in, upright and not squared up, and nothing else; or the drawing again.
   * @param {boolean} isShown
   * @returns {SVGImageElement | null}
   */
  showUpright(isShown) {
    this.marks.replaceChildren();
    for (const layer of [this.paper, this.hits, ...Object.values(this.layers)]) layer.setAttribute("visibility", isShown ? "hidden" : "visible");
    if (!isShown || !this.drawing) {
      this.whole();
      return null;
    }
    const { upright_px, upright } = this.drawing.picture;
    const [width, height] = upright_px.map((side) => side / /** @type {Drawing} */ (this.drawing).px_per_mm);
    const image = draw("image", { href: `/seen/${upright}.jpg`, x: 0, y: 0, width, height });
    this.marks.append(image);
    const size = this.#size();
    this.window.show([0, 0, width, height], size.width, size.height, [80, 90, 90, 30]);
    this.moved();
    return image;
  }

  /** @param {string} words */
  tell(words) {
    say(words);
  }
}

/**
 * Cold to hot, for the walk through the order; dark to light as well, so that it reads in grey.
 * @param {number} share
 */
export function heat(share) {
  const stops = [[35, 32, 110], [122, 28, 109], [200, 62, 60], [240, 130, 30], [250, 215, 90]];
  const at = Math.min(0.9999, Math.max(0, share)) * (stops.length - 1);
  const k = Math.floor(at);
  const mixed = stops[k].map((value, i) => Math.round(value + (stops[k + 1][i] - value) * (at - k)));
  return `rgb(${mixed.join(" ")})`;
}
