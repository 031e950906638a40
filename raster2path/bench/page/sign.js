/** The second place: the sign in metal. Size, border, holes, sheet, and what holds it together. */

/** @import {Drawing, OpenJob} from "./types.js" */
/** @import {Wire} from "./wire.js" */

import { make, the } from "./make.js";
import { choiceIn, holdable, lengthIn, sentence } from "./sentences.js";
import { bare, length, mass, typedMm, units } from "./units.js";

const BORDERS = /** @type {[string, string][]} */ ([
  ["none", "no border"], ["rect", "a straight border"], ["round", "a round-cornered border"], ["oval", "an oval border"], ["drawn", "the drawn border"], ["sheet", "the sheet's own edges"],
]);

/**
 * @param {Wire} wire @param {OpenJob} job @param {Drawing} drawing
 * @returns {Node[]}
 */
export function signPlace(wire, job, drawing) {
  const { settings } = job;
  const [, , width, height] = drawing.sign_mm;
  const set = (/** @type {string} */ key) => (/** @type {string} */ value) => wire.change({ do: "set", key, value });
  const guessed = settings.width_mm || settings.height_mm ? [] : [make("p", { class: "soft" }, "No size was given yet.")];
  const thickness = Number(settings.thickness_mm);
  return [
    make("h2", { id: "placename" }, "Sign"),
    sentence("It is ", lengthIn(wire, "width_mm", width, "width"), ` wide and `, lengthIn(wire, "height_mm", height, "height"), ` ${units.word} high, with `,
      choiceIn("the border", "border", drawing.border, BORDERS, set("border")), ", ", lengthIn(wire, "margin_mm", Number(settings.margin_mm), "margin"), ` ${units.word} outside the drawing.`),
    ...guessed,
    sentence("It hangs by ", choiceIn("mounting holes", "n_holes", String(Number(settings.n_holes ?? 0)), [["0", "no holes"], ["1", "one hole"], ["2", "two holes"]], set("n_holes")), " of ", lengthIn(wire, "hole_mm", Number(settings.hole_mm), "size of a hole"), ` ${units.word}.`),
    sentence("The steel is ", lengthIn(wire, "thickness_mm", thickness, "thickness of the steel"), ` ${units.word} thick, and the sheet `, ...sheet(wire, drawing), "."),
    make("p", {}, held(drawing)),
    sentence("Ties are ", lengthIn(wire, "tie_width_mm", Number(settings.tie_width_mm), "width of a tie"), ` ${units.word} wide; they are laid `,
      choiceIn("how ties are laid", "ties", settings.ties ?? "auto", [["auto", "by themselves"], ["none", "by nobody"]], set("ties")), "."),
    make("p", { class: "soft" }, "Drag a tie along its gap, or touch it. Touch an opening to tie there."),
    make("p", {}, `It weighs ${mass(drawing.sums.sign_kg)}.`),
    make("div", { class: "row" }, make("button", { type: "button", class: "outlined", click: () => showFinished() }, "the finished sign")),
  ];
}

/** @param {Wire} wire @param {Drawing} drawing */
function sheet(wire, drawing) {
  const [w, h] = drawing.sheet_mm ?? [null, null];
  const sides = [w, h].map((side, k) => {
    const label = k ? "height of the sheet" : "width of the sheet";
    const input = make("input", { type: "text", inputmode: "decimal", "aria-label": `${label}, in ${units.name}`, "data-key": `sheet-${k}`, placeholder: "any" });
    input.value = side === null ? "" : bare(side, 1);
    return holdable(input);
  });
  const changed = () => {
    if (sides.every((side) => !side.value.trim())) return wire.change({ do: "set", key: "sheet_mm", value: null });
    const both = sides.map((side) => typedMm(side.value));
    if (both.every((side) => side !== null)) return wire.change({ do: "set", key: "sheet_mm", value: both.join("x") });
    return undefined; // the other side is still to come
  };
  sides.forEach((side) => side.addEventListener("change", changed));
  return [sides[0], " × ", sides[1], ` ${units.word}`];
}

/** @param {Drawing} drawing */
function held(drawing) {
  const count = (/** @type {number} */ n, /** @type {string} */ word) => `${n} ${word}${n === 1 ? "" : "s"}`;
  if (drawing.n_loose) return `${count(drawing.n_loose, "piece")} would fall out.`;
  if (drawing.ties.length) return `${count(drawing.ties.length, "tie")} hold${drawing.ties.length === 1 ? "s" : ""} ${count(drawing.n_islands, "loose piece")}.`;
  return "It is in one piece without ties.";
}

/** The sign on a wall, to turn the tablet round and show the customer. */
export function showFinished() {
  const dialog = the("finished", HTMLDialogElement);
  const picture = make("img", { src: `/files/as-hung.png?${Date.now()}`, alt: "the finished sign on a wall" });
  dialog.replaceChildren(
    picture,
    make("div", { class: "row" },
      make("button", { type: "button", class: "strong", click: () => dialog.close() }, "back to the bench"),
      make("button", { type: "button", click: () => picture.classList.toggle("round-turned") }, "turn it round"),
      make("a", { class: "button outlined", href: "/files/as-hung.png", download: "" }, "save the picture")),
  );
  dialog.showModal();
}

/** @param {Drawing} drawing */
export function sizeWords(drawing) {
  const [, , width, height] = drawing.sign_mm;
  return `${length(width)} × ${length(height)}`;
}
