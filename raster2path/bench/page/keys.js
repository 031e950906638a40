/** Everything by keyboard, and the sheet that says how. */

/** @import {Point} from "./types.js" */
/** @import {Sheet} from "./sheet.js" */
/** @import {Touch} from "./touch.js" */
/** @import {Wire} from "./wire.js" */

import { make, the } from "./make.js";
import { length, units } from "./units.js";
import { hush } from "./words.js";

const help = () => /** @type {[string, string][]} */ ([
  ["1, 2, 3", "go to Drawing, Sign, Steel"],
  ["Tab", "on to the next note, sentence or thing on the drawing"],
  ["Enter", "what can be done with it, as a row of words"],
  ["arrows", `move a tie, a corner or a point by ${length(units.nudge_mm, 1)}, with shift by ${length(10 * units.nudge_mm)}; else move the drawing`],
  ["+ − 0", "nearer, farther, all of it"],
  ["N", "go to the next fault or note"],
  ["F", "the finished sign"],
  ["R, P", "rub ink out, paint it in"],
  ["Z, shift Z", "take back, do it again"],
  ["S", "save: every file that the command would write"],
  ["M", "draw round a word, or a stretch of an edge"],
  ["Delete", "take a tie, or a point of an edge, away"],
  ["Esc", "close what is open, put the brush down"],
  ["?", "this list"],
]);

/**
 * @typedef {{sheet: Sheet, touch: Touch, wire: Wire, go: (place: string) => void, next: () => void, save: () => void, finished: () => void}} Bench
 */

/** @param {Bench} bench */
export function listen(bench) {
  document.addEventListener("keydown", (event) => {
    if (!bench.wire.state.open || event.altKey) return;
    const target = event.target;
    const isTyping = target instanceof HTMLInputElement && target.type === "text";
    if (event.key === "Escape" && closed(bench)) return event.preventDefault();
    if (isTyping || target instanceof HTMLSelectElement || document.querySelector("dialog[open]")) return undefined;
    const key = event.key.toLowerCase();
    if ((event.ctrlKey || event.metaKey) && !["z", "y", "s"].includes(key)) return undefined;
    if (arrows(bench, event) || onThing(bench, event)) return event.preventDefault();
    const done = plain(bench, key, event.shiftKey);
    if (done) event.preventDefault();
    return undefined;
  });
}

/** @param {Bench} bench */
function closed(bench) {
  return hush(true) || bench.touch.stop() || bench.touch.corners.stop();
}

/** @param {Bench} bench @param {string} key @param {boolean} isShift */
function plain(bench, key, isShift) {
  const { sheet, touch, wire } = bench;
  const does = /** @type {Record<string, () => void>} */ ({
    1: () => bench.go("drawing"), 2: () => bench.go("sign"), 3: () => bench.go("steel"),
    "+": () => sheet.zoom(1.3), "=": () => sheet.zoom(1.3), "-": () => sheet.zoom(1 / 1.3), 0: () => sheet.whole(),
    n: bench.next, f: bench.finished, s: bench.save,
    m: () => touch.startMarking(), r: () => touch.startBrush(-1), p: () => touch.startBrush(1),
    z: () => wire.post(isShift ? "/redo" : "/undo"), y: () => wire.post("/redo"),
    "?": () => showHelp(bench),
  })[key];
  does?.();
  return Boolean(does);
}

/** @param {Bench} bench @param {KeyboardEvent} event */
function arrows(bench, event) {
  const way = /** @type {Record<string, Point>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] })[event.key];
  const target = event.target;
  if (!way || target instanceof HTMLInputElement || target instanceof HTMLButtonElement) return false;
  const step = units.nudge_mm * (event.shiftKey ? 10 : 1);
  const by = /** @type {Point} */ ([way[0] * step, way[1] * step]);
  const what = target instanceof SVGElement ? target.dataset.what : undefined;
  const number = target instanceof SVGElement ? Number(target.dataset.number) : 0;
  if (what === "corner") bench.touch.corners.nudge(number, by);
  else if (what === "point") bench.touch.points.nudge(number, by);
  else if (what === "tie" && bench.sheet.drawing) bench.touch.moveTie(bench.sheet.drawing.ties[number], by);
  else bench.sheet.pan(-way[0] * 40, -way[1] * 40);
  return true;
}

/** @param {Bench} bench @param {KeyboardEvent} event */
function onThing(bench, event) {
  const target = event.target;
  const drawing = bench.sheet.drawing;
  if (!(target instanceof SVGElement) || !target.dataset.what || !drawing) return false;
  const number = Number(target.dataset.number);
  const { what } = target.dataset;
  if (what === "tie" && event.key === "Delete") {
    bench.wire.change({ do: "tie removed", box: bench.touch.boxOf(drawing.ties[number]) });
    return true;
  }
  if (what === "point" && event.key === "Delete") {
    bench.touch.points.takeOut(number);
    return true;
  }
  if (event.key !== "Enter" && event.key !== " ") return false;
  const mm = what === "point" ? bench.touch.points.shown[number] : what === "tie" ? drawing.ties[number].at_mm : what === "cut" ? drawing.cuts[number - 1].at_mm : drawing.edges[number].at_mm;
  const box = bench.sheet.svg.getBoundingClientRect();
  const [x, y] = bench.sheet.window.toScreen(mm);
  bench.touch.words(target, mm, { x: x + box.left, y: y + box.top });
  the("words", HTMLDivElement).querySelector("button")?.focus();
  return true;
}

/** @param {Bench} bench */
export function showHelp(bench) {
  const dialog = the("help", HTMLDialogElement);
  const light = document.documentElement.dataset.light === "dark" ? "light" : "dark";
  dialog.replaceChildren(
    make("h2", { id: "helptitle" }, "The bench"),
    make("div", { class: "row" },
      make("button", { type: "button", class: "outlined", click: () => bench.wire.post("/close").then(() => dialog.close()) }, "another picture"),
      make("button", { type: "button", class: "outlined", click: () => { setLight(light); showHelp(bench); } }, `${light} page`),
      make("button", { type: "button", class: "outlined", click: () => bench.wire.change({ do: "set", key: "units", value: units.inch ? "mm" : "in" }).then(() => dialog.open && showHelp(bench)) }, units.inch ? "millimetres" : "inches")),
    make("table", {}, make("tbody", {}, ...help().map(([key, words]) => make("tr", {}, make("th", { scope: "row" }, key), make("td", {}, words))))),
    make("div", { class: "row" }, make("button", { type: "button", class: "strong", click: () => dialog.close() }, "back to the bench")),
  );
  if (!dialog.open) dialog.showModal();
}

/** @param {string} light */
export function setLight(light) {
  localStorage.setItem("raster2path-light", light);
  document.documentElement.dataset.light = light;
}
