/** Edges at a tolerance that is still being chosen, shown one by one as they are fitted. */

/** @import {Sheet} from "./sheet.js" */
/** @import {Wire} from "./wire.js" */

import { KINDS } from "./sheet.js";
import { draw } from "./make.js";

export class Tries {
  /** @param {Sheet} sheet @param {Wire} wire */
  constructor(sheet, wire) {
    this.sheet = sheet;
    this.wire = wire;
    this.number = 0;
    this.since = 0;
    /** @type {SVGGElement | null} */
    this.group = null;
    wire.addEventListener("tried", (event) => this.#take(/** @type {CustomEvent} */ (event).detail));
  }

  /**
   * Ask for the edges as they would be; the newest asking wins.
   * @param {string} key @param {string} value
   */
  ask(key, value) {
    const { window: seen, svg, drawing } = this.sheet;
    if (!drawing?.number) return;
    const { width, height } = svg.getBoundingClientRect();
    const view = [...seen.toMm([0, 0]), width / seen.scale, height / seen.scale];
    this.number += 1;
    this.key = key;
    this.since = performance.now();
    this.wire.quietly("/edges", { key, value, view, ask: this.number });
  }

  /** @param {{number: number, edges: {number: number, d: string, kind: string}[], is_all: boolean}} told */
  #take({ number, edges, is_all }) {
    if (number > this.number || !this.key) return;
    const { layers } = this.sheet;
    if (!this.group?.isConnected) {
      this.group = draw("g");
      layers.edges.append(this.group);
      const isFlowing = this.key === "organic_tolerance_mm";
      for (const path of layers.edges.querySelectorAll(":scope > path")) {
        if (path.classList.contains("flowing") === isFlowing) path.classList.add("unsettled");
      }
    }
    for (const edge of edges) {
      this.group.querySelector(`[data-tried="${edge.number}"]`)?.remove();
      this.group.append(draw("path", { d: edge.d, class: `thin ${KINDS[edge.kind]}`, "stroke-width": edge.kind === "lettering" ? 2.6 : 2, "data-tried": edge.number }));
    }
    if (number < this.number) return; // of a value that was passed over on the way
    this.#measure(is_all ? ["edge tried", "all edges tried"] : ["edge tried"]);
  }

  /** How long it took, for whoever measures it: once what was drawn is on the screen. @param {string[]} names */
  #measure(names) {
    const { since, number } = this;
    requestAnimationFrame(() => setTimeout(() => {
      for (const name of names) {
        const isNew = !performance.getEntriesByName(name).some((e) => /** @type {PerformanceMeasure} */ (e).detail === number);
        if (isNew) performance.measure(name, { start: since, detail: number });
      }
    }));
  }
}
