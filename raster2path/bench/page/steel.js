/** The third place: at the table. The order of cuts, what is done, paper, light. */

/** @import {Cut, Drawing, OpenJob, Point} from "./types.js" */
/** @import {Sheet} from "./sheet.js" */
/** @import {Touch} from "./touch.js" */
/** @import {Wire} from "./wire.js" */

import { KINDS, heat } from "./sheet.js";
import { draw, dress, make, say } from "./make.js";
import { choiceIn, holdable, lengthIn, sentence } from "./sentences.js";
import { apart, inverse, mapped } from "./space.js";
import { length, units, warmth, way } from "./units.js";

const FILES = /** @type {[string, string, boolean][]} */ ([
  ["guides.pdf", "full size, one page", true],
  ["pages-a4.pdf", "full size on A4 pages", true],
  ["pages-letter.pdf", "full size on letter pages", true],
  ["job.pdf", "job sheet", false],
  ["proof.pdf", "page for the customer to sign", false],
  ["guides.svg", "cutting lines, SVG", false],
  ["guides.dxf", "cutting lines, DXF", false],
]);

export class Steel {
  /** @param {Sheet} sheet @param {Touch} touch @param {Wire} wire */
  constructor(sheet, touch, wire) {
    this.sheet = sheet;
    this.touch = touch;
    this.wire = wire;
    this.at = 0;
    this.playing = 0;
    /** @type {number | undefined} when planning began, in ms */
    this.since = undefined;
    /** @type {string | undefined} where the light is */
    this.lit = undefined;
    wire.addEventListener("heat", () => this.#warm());
    wire.addEventListener("drawing", () => this.#warm());
    sheet.svg.addEventListener("next", (event) => this.#next(/** @type {CustomEvent} */ (event).detail));
    sheet.svg.addEventListener("done", (event) => this.#tick(/** @type {CustomEvent} */ (event).detail, true));
  }

  /** @param {OpenJob} job @param {Drawing} drawing @returns {Node[]} */
  place(job, drawing) {
    const { settings } = job;
    const done = this.done(job, drawing);
    const nDone = done.filter(Boolean).length;
    const { sums } = drawing;
    const minutes = `${way(sums.metres)} with the torch, ${sums.starts} starts, about ${Math.max(1, Math.round(sums.arc_min))} minutes of arc in ${sums.elapsed_min} minutes at the table. Filter shade ${sums.shade} at least.`;
    const how = job.corrections.order_px.length ? "by hand" : settings.order ?? "planned";
    const byHand = nDone ? "as numbered on the steel" : "as you put them";
    const choices = /** @type {[string, string][]} */ ([["planned", "to keep it flat"], ["near", "nearest next"], ["sweep", "left to right"], ["small-first", "smallest first"]]);
    if (how === "by hand") choices.unshift(["by hand", byHand]);
    return [
      make("h2", { id: "placename" }, "Steel"),
      make("p", {}, minutes),
      sentence("The arc takes ", lengthIn(this.wire, "kerf_mm", Number(settings.kerf_mm), "kerf"), ` ${units.word}. Cuts go `,
        choiceIn("the order of cuts", "order", how, choices, (value) => this.#how(value)), "."),
      make("div", { class: "row" },
        make("button", { type: "button", class: "outlined", click: () => this.play() }, this.playing ? "stop" : "walk through it"),
        make("p", { class: "soft", id: "walk", role: "status" })),
      ...this.#planning(drawing),
      make("p", {}, nDone ? `${nDone} of ${drawing.cuts.length} cuts are done.` : "Tick a cut when it is done; drag its number to move it."),
      this.#list(drawing, done),
      make("p", { class: "soft" }, "The torch's own manual and local rules win over anything said here. Eyes, lungs, hands, fire."),
      ...this.#light(drawing, job.took_min),
      make("h2", {}, "On paper"),
      this.#files(drawing),
    ];
  }

  /** That the order is being planned, and a way to end that. @param {Drawing} drawing */
  #planning(drawing) {
    const isPlanning = this.wire.stage === "order" && !drawing.is_final;
    if (!isPlanning) this.since = 0;
    if (!isPlanning) return [];
    this.since ||= Date.now();
    const told = make("p", { class: "soft", "data-live": "planning" });
    const tick = () => {
      const seconds = Math.round((Date.now() - (this.since ?? 0)) / 1000);
      told.textContent = `The order that keeps the sheet flat is being planned, ${seconds} s so far; the numbers are those of the nearest-next order.`;
      if (told.isConnected) setTimeout(tick, 1000);
    };
    tick();
    requestAnimationFrame(tick);
    const stop = make("button", { type: "button", class: "quiet", "data-key": "stop", click: () => this.#how("near") }, "stop planning, keep nearest next");
    return [told, stop];
  }

  /** The projected page, and the end of the job. @param {Drawing} drawing @param {number | null} took minutes, if that was said */
  #light(drawing, took) {
    const place = make("div", { class: "row" });
    const shown = () => (this.lit ? [make("a", { class: "button strong", href: this.lit, target: "_blank", rel: "noopener" }, "open the light")] : []);
    const start = make("button", { type: "button", class: "outlined", disabled: !drawing.is_ready }, this.lit ? "light it anew" : "light it");
    start.addEventListener("click", async () => {
      start.textContent = "lighting …";
      const told = await this.wire.post("/light", {});
      this.lit = told?.address;
      this.wire.dispatchEvent(new Event("state")); // what was here is drawn anew meanwhile
    });
    place.append(start, ...shown());
    const minutes = make("input", { type: "text", inputmode: "numeric", "aria-label": "minutes that it took", "data-key": "took", placeholder: "…" });
    minutes.value = took ? String(took) : "";
    minutes.addEventListener("change", async () => {
      const told = await this.wire.post("/took", { minutes: Number(minutes.value) });
      if (told) say("remembered for the next estimate");
    });
    return [
      make("h2", {}, "In light"),
      make("p", { class: "soft" }, drawing.is_ready ? "Opens a page for the projector and one for your hand." : "Held back until the sign is ready to cut."),
      place,
      sentence("In the end it took ", holdable(minutes), " minutes at the table."),
    ];
  }

  /** @param {Drawing} drawing */
  #files(drawing) {
    const isTheirs = (/** @type {string} */ name) => name !== (units.inch ? "pages-a4.pdf" : "pages-letter.pdf");
    const links = FILES.filter(([name]) => isTheirs(name)).map(([name, words, isPaper]) => {
      const anyway = isPaper && !drawing.is_ready ? "?anyway=1" : "";
      return make("a", { class: "button", href: `/files/${name}${anyway}`, download: "" }, anyway ? `${words}, not ready to cut` : words);
    });
    return make("div", { class: "files" }, ...links);
  }

  /** Which cuts are ticked. @param {OpenJob} job @param {Drawing} drawing */
  done(job, drawing) {
    const places = job.corrections.done_px;
    if (!places.length) return drawing.cuts.map(() => false);
    const back = inverse(drawing.upright_from_mm);
    const out = drawing.cuts.map(() => false);
    for (const place of places) {
      const mm = mapped(back, /** @type {Point} */ (place));
      const away = drawing.cuts.map((cut) => apart(cut.at_mm, mm));
      const k = away.indexOf(Math.min(...away));
      if (away[k] < 10) out[k] = true;
    }
    return out;
  }

  /** Cuts coloured by how warm the sheet is where they start, by the model. */
  #warm() {
    const { drawing, heat: known } = this.wire;
    if (!drawing || known?.number !== drawing.number) return;
    const warmest = Math.max(40, ...known.starts_k);
    this.sheet.layers.heat.querySelectorAll("path").forEach((path) => {
      path.setAttribute("stroke", heat(known.starts_k[Number(path.dataset.heat)] / warmest));
    });
  }

  /** Ticked cuts grow pale. @param {OpenJob} job @param {Drawing} drawing */
  pale(job, drawing) {
    const done = this.done(job, drawing);
    for (const name of ["torch", "numbers"]) {
      this.sheet.layers[name].querySelectorAll("[data-cut]").forEach((element) => {
        element.classList.toggle("done", done[Number(/** @type {SVGElement} */ (element).dataset.cut) - 1]);
      });
    }
  }

  /** @param {Drawing} drawing @param {boolean[]} done */
  #list(drawing, done) {
    const list = make("ol", { class: "cuts", "aria-label": "cuts in order" });
    list.append(...drawing.cuts.map((cut, k) => this.#item(list, cut, done[k])));
    return list;
  }

  /** @param {HTMLOListElement} list @param {Cut} cut @param {boolean} isDone */
  #item(list, cut, isDone) {
    const small = draw("svg", { "aria-hidden": "true" });
    if (cut.d) small.append(draw("path", { d: cut.d }));
    const words = `${KINDS[cut.kind]}, ${length(cut.length_mm)}`;
    const tick = make("input", { type: "checkbox", class: "tick", "aria-label": `cut ${cut.number} is done`, "data-key": `done-${cut.number}` });
    tick.checked = isDone;
    tick.addEventListener("change", () => this.#tick(cut.number, tick.checked));
    const grip = make("button", { type: "button", class: "grip", "data-key": `grip-${cut.number}`, title: "drag it, or move it with the arrow keys", "aria-label": `cut ${cut.number}, ${words}: move it with the arrow keys` }, String(cut.number));
    const item = make("li", { "data-cut": cut.number }, grip, small, make("button", { type: "button", class: "show", click: () => this.#show(cut) },
        make("span", { class: "unseen" }, `show cut ${cut.number}: `), make("span", {}, KINDS[cut.kind]), make("span", { class: "soft" }, length(cut.length_mm))), tick);
    grip.addEventListener("keydown", (event) => {
      const by = event.key === "ArrowUp" ? -1 : event.key === "ArrowDown" ? 1 : 0;
      if (!by) return;
      event.preventDefault();
      event.stopPropagation();
      this.#move(cut.number, cut.number + by);
    });
    grip.addEventListener("pointerdown", (event) => this.#dragged(list, item, grip, event));
    if (cut.d) requestAnimationFrame(() => this.#framed(small));
    return item;
  }

  /** @param {SVGSVGElement} small */
  #framed(small) {
    const path = small.firstElementChild;
    if (!(path instanceof SVGPathElement) || !small.isConnected) return;
    const box = path.getBBox();
    const rim = 0.08 * Math.max(box.width, box.height, 1);
    dress(small, { viewBox: `${box.x - rim} ${box.y - rim} ${box.width + 2 * rim} ${box.height + 2 * rim}` });
  }

  /** @param {HTMLOListElement} list @param {HTMLLIElement} item @param {HTMLElement} grip @param {PointerEvent} start */
  #dragged(list, item, grip, start) {
    grip.setPointerCapture(start.pointerId);
    let isMoving = false;
    const move = (/** @type {PointerEvent} */ event) => {
      if (!isMoving && Math.abs(event.clientY - start.clientY) < 8) return;
      isMoving = true;
      item.classList.add("held");
      const rows = /** @type {HTMLElement[]} */ ([...list.children].filter((row) => row !== item));
      const after = rows.find((row) => event.clientY < row.getBoundingClientRect().top + row.offsetHeight / 2);
      list.insertBefore(item, after ?? null);
    };
    const end = () => {
      grip.removeEventListener("pointermove", move);
      item.classList.remove("held");
      if (isMoving) this.#move(Number(item.dataset.cut), [...list.children].indexOf(item) + 1);
    };
    grip.addEventListener("pointermove", move);
    grip.addEventListener("pointerup", end, { once: true });
    grip.addEventListener("pointercancel", end, { once: true });
  }

  /** @param {number} number @param {number} to both from 1 */
  #move(number, to) {
    const cuts = [...(this.wire.drawing?.cuts ?? [])];
    if (to < 1 || to > cuts.length || to === number) return;
    const [moved] = cuts.splice(number - 1, 1);
    cuts.splice(to - 1, 0, moved);
    say(`cut ${number} is now cut ${to}`);
    this.wire.change({ do: "order", places: cuts.map((cut) => this.touch.px(cut.at_mm)) });
  }

  /** Cut this one next: after the last that is done. @param {number} number */
  #next(number) {
    const job = this.wire.state.open;
    const drawing = this.wire.drawing;
    if (!job || !drawing) return;
    this.#move(number, this.done(job, drawing).lastIndexOf(true) + 2);
  }

  /** @param {string} value */
  #how(value) {
    const changes = [{ do: "order", places: [] }, { do: "set", key: "order", value }];
    if (value !== "by hand") this.wire.change({ do: "several", changes });
  }

  /** @param {number} number @param {boolean} isDone */
  #tick(number, isDone) {
    const cut = this.wire.drawing?.cuts[number - 1];
    const near_px = 6 * (this.wire.drawing?.px_per_mm ?? 1);
    if (cut) this.wire.change({ do: "done", at: this.touch.px(cut.at_mm), near_px, is_done: isDone });
  }

  /** @param {Cut} cut */
  #show(cut) {
    this.sheet.ring(cut.pierce_mm, 9);
    const [a] = [cut.at_mm];
    this.sheet.showAt(a, Math.min(60, cut.length_mm / 6 + 12));
  }

  /** Walk through the order, a cut at a time, each in its heat. */
  play() {
    const drawing = this.wire.drawing;
    const layer = this.sheet.layers.heat;
    if (this.playing || !drawing) {
      clearInterval(this.playing);
      this.playing = 0;
      this.sheet.fade();
      layer.querySelectorAll("path").forEach((path) => path.removeAttribute("visibility"));
      this.#warm();
      return;
    }
    const paths = [...layer.querySelectorAll("path")];
    layer.setAttribute("opacity", "1");
    layer.style.display = "";
    paths.forEach((path) => path.setAttribute("visibility", "hidden"));
    let k = 0;
    const step = () => {
      if (k >= paths.length || this.sheet.place !== "steel") return this.play();
      paths.forEach((path, j) => {
        if (j <= k) dress(path, { visibility: "visible", stroke: heat(Math.max(0, 1 - (k - j) / 8)) });
      });
      const walk = document.getElementById("walk");
      const { heat: known } = this.wire;
      const warm = known?.number === drawing.number ? `, starting on metal ${warmth(known.starts_k[k] ?? 0)} above the room` : "";
      if (walk) walk.textContent = `cut ${k + 1} of ${paths.length}${warm}`;
      k += 1;
      return undefined;
    };
    this.playing = window.setInterval(step, matchMedia("(prefers-reduced-motion: reduce)").matches ? 1200 : 450);
    step();
  }
}
