/** What the pipeline noticed, as sentences, the worst first, each with where and what to do. */

/** @import {Drawing, Note} from "./types.js" */
/** @import {Sheet} from "./sheet.js" */
/** @import {Touch} from "./touch.js" */
/** @import {Wire} from "./wire.js" */

import { make, the } from "./make.js";
import { KINDS } from "./sheet.js";
import { length } from "./units.js";

/** So many notes stand there at once; where nothing is wrong, one is enough to begin with. */
const MOST = 14;
const FIRST = 1;

/** A remedy that is a line of job.toml: what the box round a place should be instead. */
const BOX = /(lettering|organic|geometric)_boxes_px = \[\[([\d., -]+)\]\]/;

/** A remedy that is an option of the command: the words to press, and the setting. */
const OPTIONS = /** @type {[string, string, string, string][]} */ ([
  ["--ink light", "light is drawn", "ink", "light"], ["--ink dark", "dark is drawn", "ink", "dark"],
  ["--paper-lines keep", "they are drawn", "paper_lines", "keep"], ["--border rect", "add a border", "border", "rect"],
  ["--border", "add a border", "border", "rect"], ["--narrow one-pass", "cut them in one pass", "narrow", "one-pass"],
  ["--read solid", "read it as solid", "read", "solid"], ["--blunt 0", "leave tips as drawn", "blunt_mm", "0"],
]);

export class Notes {
  /** @param {Sheet} sheet @param {Wire} wire @param {(place: string) => void} go @param {Touch} touch */
  constructor(sheet, wire, go, touch) {
    this.touch = touch;
    this.sheet = sheet;
    this.wire = wire;
    this.go = go;
    this.at = -1;
    /** @type {Set<string>} */
    this.left = new Set(JSON.parse(sessionStorage.getItem("left") ?? "[]"));
    this.isAll = false;
  }

  /** @param {Drawing | null} drawing */
  take(drawing) {
    const box = the("notes", HTMLElement);
    const trouble = this.wire.state.open?.trouble;
    const notes = drawing ? drawing.notes.filter((note) => !this.left.has(key(note))) : [];
    const groups = grouped(notes);
    const n = groups.length + (trouble ? 1 : 0);
    const faults = notes.filter((note) => note.is_fault);
    const words = n === 1 ? "1 note" : `${n} notes`;
    const heading = make("h2", { id: "count" }, n ? words : drawing?.number ? "No notes" : (this.wire.state.open?.name ?? ""));
    const most = faults.length ? Math.max(FIRST, Math.min(MOST, groups.filter(([note]) => note.is_fault).length)) : FIRST;
    const items = (this.isAll ? groups : groups.slice(0, most)).map((group) => this.#item(group));
    if (trouble) items.unshift(this.#trouble(trouble));
    const list = make("ul", {}, ...items);
    const more = groups.length - most;
    const toggle = this.isAll ? "only the first" : more === 1 ? "one more" : `${more} more`;
    const rest = more > 0 ? [make("button", { type: "button", class: "quiet", "data-key": "more", click: () => this.#all(drawing) }, toggle)] : [];
    const isFree = drawing?.is_ready && !trouble;
    const free = isFree ? [make("p", { class: "free" }, "It can be cut: nothing floats.")] : [];
    const next = faults.length > 1 ? [make("button", { type: "button", class: "quiet", click: () => this.next() }, "go to the next fault")] : [];
    box.replaceChildren(heading, ...free, ...next, list, ...rest);
    const loose = drawing?.n_loose ?? 0;
    const pull = the("pull", HTMLButtonElement);
    pull.textContent = loose ? `${words}, ${loose} loose` : n ? words : "no notes";
    this.notes = notes;
    this.#ringLoose(drawing);
  }

  /** @param {Drawing | null} drawing */
  #all(drawing) {
    this.isAll = !this.isAll;
    this.take(drawing);
  }

  /** @param {Drawing | null} drawing */
  #ringLoose(drawing) {
    this.sheet.marks.querySelectorAll(".loose").forEach((ring) => ring.remove());
    if (!drawing) return;
    for (const note of drawing.notes) {
      if (!note.is_fault || !note.at_mm) continue;
      const ring = document.createElementNS("http://www.w3.org/2000/svg", "circle");
      ring.setAttribute("class", "alarm loose");
      ring.setAttribute("cx", String(note.at_mm[0]));
      ring.setAttribute("cy", String(note.at_mm[1]));
      ring.setAttribute("r", String(Math.max(6, 0.7 * (note.size_mm ?? 8))));
      this.sheet.marks.append(ring);
    }
  }

  /** Go to the next fault, or the next note where there is none. */
  next() {
    const all = this.notes ?? [];
    const faults = all.filter((note) => note.is_fault && note.at_mm);
    const places = faults.length ? faults : all.filter((note) => note.at_mm);
    if (!places.length) return;
    this.at = (this.at + 1) % places.length;
    const note = places[this.at];
    if (note.at_mm) this.sheet.showAt(note.at_mm, note.size_mm);
    this.sheet.tell(note.sentence);
  }

  /** @param {string} trouble */
  #trouble(trouble) {
    const words = trouble[0].toUpperCase() + trouble.slice(1);
    const undo = this.wire.state.open?.can_undo
      ? [make("button", { type: "button", class: "quiet", click: () => this.wire.post("/undo") }, "take it back")]
      : [];
    return make("li", { class: "fault" }, make("p", {}, words), ...undo);
  }

  /** @param {Note[]} group */
  #item(group) {
    const [note] = group;
    let at = -1;
    const show = () => {
      at = (at + 1) % group.length;
      const one = group[at];
      if (one.at_mm) this.sheet.showAt(one.at_mm, one.size_mm);
      if (group.length > 1) button.textContent = `${at + 1} of ${group.length}`;
    };
    const button = make("button", { type: "button", class: "quiet", click: show }, group.length > 1 ? `show me all ${group.length}` : "show me");
    const where = note.at_mm ? [button] : [];
    const remedy = this.#remedy(note);
    const isForTerminal = /--[a-z]|job\.toml/.test(note.remedy ?? "");
    const advice = note.remedy && !remedy.length && !isForTerminal ? [make("small", {}, note.remedy)] : [];
    const leave = note.is_fault
      ? []
      : [make("button", { type: "button", class: "quiet", "aria-label": `leave it: ${note.sentence}`, click: () => this.#leave(group) }, "leave it")];
    const alike = group.length > 1 ? ` And ${group.length - 1} more like it.` : "";
    return make("li", { class: note.is_fault ? "fault" : "" }, make("p", {}, note.sentence + alike), ...advice, make("div", { class: "row" }, ...where, ...remedy, ...leave));
  }

  /** @param {Note[]} group */
  #leave(group) {
    group.forEach((note) => this.left.add(key(note)));
    sessionStorage.setItem("left", JSON.stringify([...this.left]));
    this.take(this.wire.drawing);
  }

  /** What can be pressed at once. @param {Note} note */
  #remedy(note) {
    const settings = this.wire.state.open?.settings ?? {};
    const button = (/** @type {string} */ words, /** @type {() => void} */ go) => [make("button", { type: "button", class: "outlined", click: go }, words)];
    if (note.kind === "loose" && settings.ties === "none") {
      return button("tie it", () => this.wire.change({ do: "set", key: "ties", value: "auto" }));
    }
    const other = note.remedy?.match(BOX);
    if (other) {
      const box = other[2].split(",").map(Number);
      return button(`it is ${KINDS[other[1]]}`, () => this.wire.change({ do: "kind", kind: other[1], box }));
    }
    const said = OPTIONS.find(([option]) => note.remedy?.includes(option));
    if (said) {
      const [, words, key, value] = said;
      return settings[key] === value ? [] : button(words, () => this.wire.change({ do: "set", key, value }));
    }
    if (note.remedy?.includes("--paper-corners")) {
      return button("move its corners", () => {
        this.go("drawing");
        this.touch.corners.start();
      });
    }
    if (note.kind === "does not fit") {
      const width = this.#fitting();
      if (width) return button(`make it ${length(width)} wide`, () => this.wire.change({ do: "set", key: "width_mm", value: String(width) }));
    }
    return [];
  }

  /** The width at which the sign fits its sheet with a rim of 10 mm, in whole mm. */
  #fitting() {
    const drawing = this.wire.drawing;
    if (!drawing?.sheet_mm) return null;
    const [, , width, height] = drawing.sign_mm;
    const [w, h] = drawing.sheet_mm.map((side) => side - 20);
    return Math.floor(width * Math.min(w / width, h / height));
  }
}

/**
 * Notes that say the same of several places, together; a fault always stands alone.
 * @param {Note[]} notes
 */
function grouped(notes) {
  /** @type {Map<string, Note[]>} */
  const groups = new Map();
  notes.forEach((note, k) => {
    const words = note.is_fault || !note.at_mm ? String(k) : `${note.kind} ${note.remedy} ${note.sentence.replace(/[\d.]+/g, "")}`;
    groups.set(words, [...(groups.get(words) ?? []), note]);
  });
  return [...groups.values()];
}

/** @param {Note} note */
function key(note) {
  return `${note.kind} ${note.sentence} ${note.at_mm?.map(Math.round) ?? ""}`;
}
