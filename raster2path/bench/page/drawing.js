/** The first place: is the drawing taken off the paper rightly, and how is it read? */

/** @import {Drawing, OpenJob} from "./types.js" */
/** @import {Touch} from "./touch.js" */
/** @import {Tries} from "./tries.js" */
/** @import {Wire} from "./wire.js" */

import { draw, make } from "./make.js";
import { choiceIn, holdable, sentence } from "./sentences.js";
import { length } from "./units.js";

const READINGS = /** @type {[string, string, string][]} */ ([
  ["solid", "solid", "filled areas are shapes"],
  ["edge", "edge", "a drawn line is the edge of a shape"],
  ["slit", "slit", "a drawn line is one pass of the torch"],
  ["bar", "bar", "a drawn line is a bar of metal that stays"],
]);

/**
 * @param {Wire} wire @param {Touch} touch @param {Tries} tries @param {OpenJob} job @param {Drawing} drawing
 * @returns {Node[]}
 */
export function drawingPlace(wire, touch, tries, job, drawing) {
  return [
    make("h2", { id: "placename" }, "Drawing"),
    ...paper(wire, touch, job, drawing),
    ...ink(touch),
    ...reading(wire, job, drawing),
    ...edges(wire, touch, tries, job, drawing),
  ];
}

/**
 * What can be said before the whole answer is there.
 * @param {Drawing} drawing
 * @returns {Node[]}
 */
export function firstWords(drawing) {
  const { reading } = drawing;
  const why = reading ? [make("p", {}, readWords(reading))] : [];
  return [make("h2", { id: "placename" }, "Drawing"), ...why, make("p", { class: "soft" }, drawing.is_rough ? "A first look; the exact lines follow." : "The lines follow.")];
}

/** @param {Drawing["reading"]} reading */
function readWords({ read, reason, is_guessed, sure }) {
  return is_guessed ? `Read as ${read} (${sure}), because ${reason}.` : `Read as ${read}, as you said.`;
}

/**
 * Where nothing was found to cut: another reading may find something.
 * @param {Wire} wire
 * @returns {Node[]}
 */
export function stuckPlace(wire) {
  const ways = READINGS.map(([value, word, meaning]) =>
    make("button", { type: "button", class: "quiet", click: () => wire.change({ do: "set", key: "read", value }) }, `${word}: ${meaning}`));
  return [
    make("h2", { id: "placename" }, "Drawing"),
    make("p", {}, "Read it another way, or bring another picture:"),
    ...ways,
    make("button", { type: "button", class: "quiet", click: () => wire.post("/close") }, "another picture"),
  ];
}

/** @param {Wire} wire @param {Touch} touch @param {OpenJob} job @param {Drawing} drawing */
function paper(wire, touch, job, drawing) {
  const told = job.settings.paper_corners_px
    ? "Squared up by the corners that you set."
    : drawing.picture.is_squared
      ? "A sheet of paper was found and squared up."
      : "Taken as it is: no sheet of paper was found in it.";
  const again = job.settings.paper_corners_px
    ? [make("button", { type: "button", class: "quiet", click: () => wire.change({ do: "set", key: "paper_corners_px", value: null }) }, "look for it again")]
    : [];
  return [
    make("p", {}, told),
    make("div", { class: "row" }, make("button", { type: "button", class: "quiet", click: () => touch.corners.start() }, "move its corners"), ...again),
  ];
}

/** @param {Touch} touch */
function ink(touch) {
  return [
    make("p", {}, "Is the ink right? Hold a finger on it, or:"),
    make("div", { class: "row" },
      make("button", { type: "button", class: "quiet", click: () => touch.startBrush(-1) }, "rub out"),
      make("button", { type: "button", class: "quiet", click: () => touch.startBrush(1) }, "paint in")),
  ];
}

/** @param {Wire} wire @param {OpenJob} job @param {Drawing} drawing */
function reading(wire, job, drawing) {
  const { read } = drawing.reading;
  const why = readWords(drawing.reading);
  const four = READINGS.map(([value, word, meaning]) => {
    const small = draw("svg", { "aria-hidden": "true" });
    const glimpse = wire.glimpses[value];
    if (glimpse) {
      small.setAttribute("viewBox", glimpse.box);
      small.append(
        draw("path", { d: glimpse.metal, fill: "var(--soft)", "fill-rule": "evenodd" }),
        draw("path", { d: glimpse.slits, fill: "none", stroke: "var(--ground)", "stroke-width": glimpse.width_mm / 80 }),
      );
    }
    const go = () => wire.change({ do: "set", key: "read", value });
    return make("button", { type: "button", "data-key": `read-${value}`, "aria-pressed": String(value === read), title: meaning, "aria-label": `${word}: ${meaning}`, click: go }, small, word);
  });
  const dark = read === "solid"
    ? [sentence("Dark areas ", choiceIn("what dark areas are", "dark", drawing.dark, [["metal", "are metal"], ["opening", "fall out"]], (value) => wire.change({ do: "set", key: "dark", value })))]
    : [];
  const guess = job.settings.read ? [make("button", { type: "button", class: "quiet", click: () => wire.change({ do: "set", key: "read", value: null }) }, "guess again")] : [];
  return [make("p", {}, why), make("div", { class: "four", role: "group", "aria-label": "how it is read" }, ...four), ...guess, ...dark];
}

/** @param {Wire} wire @param {Touch} touch @param {Tries} tries @param {OpenJob} job @param {Drawing} drawing */
function edges(wire, touch, tries, job, drawing) {
  const mode = ["auto", "all", "none"].includes(job.lettering[0]) ? job.lettering[0] : "auto";
  const letters = sentence(
    "Letters ",
    choiceIn("which edges are lettering", "lettering", mode, [["auto", "are found"], ["all", "are all of it"], ["none", "are nowhere"]], (value) => wire.change({ do: "lettering", mode: value })),
  );
  return [
    letters,
    make("div", { class: "row" }, make("button", { type: "button", class: "quiet", click: () => touch.startMarking() }, "draw round a part")),
    slider(wire, tries, "Flowing", "organic_tolerance_mm", job, drawing.deviation_mm.flowing, [0.2, 4]),
    slider(wire, tries, "Lettering", "lettering_tolerance_mm", job, drawing.deviation_mm.lettering, [0.05, 2]),
    sentence("Flowing edges are drawn ", choiceIn("how smooth flowing edges are drawn", "looseness", looseOf(job), [["0", "as they are"], ["0.5", "smoother"], ["1", "very smooth"]], (value) => wire.change({ do: "set", key: "looseness", value })), "."),
    make("p", { class: "soft" }, "Touch an edge to say what it is; touch a face to say whether it falls out."),
  ];
}

/** @param {OpenJob} job */
function looseOf(job) {
  const loose = Number(job.settings.looseness ?? 0);
  return loose < 0.25 ? "0" : loose < 0.75 ? "0.5" : "1";
}

/**
 * How far an edge may leave the drawn one, and how far it does.
 * @param {Wire} wire @param {Tries} tries @param {string} word @param {string} key @param {OpenJob} job @param {number} deviation
 * @param {[number, number]} range
 */
function slider(wire, tries, word, key, job, deviation, [low, high]) {
  const value = Number(job.settings[key] ?? 1);
  const to = (/** @type {number} */ mm) => (100 * Math.log(mm / low)) / Math.log(high / low);
  const from = (/** @type {number} */ at) => low * (high / low) ** (at / 100);
  const told = make("span", {}, `up to ${length(value, 2)}`);
  const input = make("input", { type: "range", min: 0, max: 100, step: 1, "data-key": key, "aria-label": `${word} edges may leave the drawn one by up to` });
  input.value = String(to(value));
  input.setAttribute("aria-valuetext", length(value, 2));
  holdable(input);
  let timer = 0;
  input.addEventListener("input", () => {
    const mm = from(Number(input.value));
    told.textContent = `up to ${length(mm, 2)}`;
    input.setAttribute("aria-valuetext", length(mm, 2));
    clearTimeout(timer);
    tries.ask(key, mm.toFixed(2));
  });
  // Let go of; with the arrow keys after every press, so the whole road waits for the last one.
  input.addEventListener("change", () => {
    const value = from(Number(input.value)).toFixed(2);
    clearTimeout(timer);
    timer = window.setTimeout(() => wire.change({ do: "set", key, value }, key), 200);
  });
  return make("div", { class: "slider" },
    make("p", {}, make("b", {}, word), " ", told),
    input,
    make("p", { class: "soft", "data-live": key }, deviation ? `now ${length(deviation, 2)} off at most` : "none in this drawing"));
}
