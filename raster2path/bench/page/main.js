/** The page: three places, one canvas, one column. Holds the rooms together and nothing else. */

import { drawingPlace, firstWords, stuckPlace } from "./drawing.js";
import { listen, setLight, showHelp } from "./keys.js";
import { the } from "./make.js";
import { Notes } from "./notes.js";
import { fill } from "./sentences.js";
import { Sheet } from "./sheet.js";
import { showFinished, signPlace, sizeWords } from "./sign.js";
import { bring, showStart, wait } from "./start.js";
import { Steel } from "./steel.js";
import { Touch } from "./touch.js";
import { Tries } from "./tries.js";
import { units } from "./units.js";
import { Wire } from "./wire.js";
import { hush } from "./words.js";

const STAGES = /** @type {Record<string, string>} */ ({
  photo: "opening the picture", paper: "looking for the paper", ink: "taking light and paper away", brush: "taking in your strokes", reading: "seeing how it is drawn",
  turned: "turning faces over", tracing: "following the lines", specks: "leaving out specks", door: "setting the size", lettering: "looking for letters", kinds: "telling edges apart",
  fit: "fitting lines and curves", layout: "laying it out", ties: "tying what is loose", torch: "planning the torch's way", order: "planning the order of cuts", proof: "proving that nothing floats",
  areas: "taking in your loops", points: "moving points", border: "looking for the border", aids: "adding what helps the hand", progress: "seeing how far you are",
});

const wire = new Wire();
const sheet = new Sheet();
const touch = new Touch(sheet, wire);
const steel = new Steel(sheet, touch, wire);
const tries = new Tries(sheet, wire);
const notes = new Notes(sheet, wire, go, touch);
let place = sessionStorage.getItem("place") ?? "drawing";

/** @param {string} to */
function go(to) {
  place = to;
  sessionStorage.setItem("place", to);
  document.querySelectorAll("[data-place]").forEach((button) => {
    if (/** @type {HTMLElement} */ (button).dataset.place === to) button.setAttribute("aria-current", "page");
    else button.removeAttribute("aria-current");
  });
  hush();
  touch.stop();
  touch.corners.stop();
  sheet.go(to);
  fillPlace();
  the("place", HTMLElement).scrollTop = 0;
}

function fillPlace() {
  const job = wire.state.open;
  const { drawing } = wire;
  const box = the("place", HTMLElement);
  if (job?.trouble && !drawing) return fill(box, stuckPlace(wire));
  if (!job || !drawing) return box.replaceChildren();
  if (!drawing.number) return fill(box, firstWords(drawing));
  if (place === "drawing") fill(box, drawingPlace(wire, touch, tries, job, drawing));
  if (place === "sign") fill(box, signPlace(wire, job, drawing));
  if (place === "steel") fill(box, steel.place(job, drawing));
  steel.pale(job, drawing);
  return undefined;
}

function showState() {
  const { open } = wire.state;
  the("start", HTMLElement).hidden = Boolean(open);
  the("bench", HTMLDivElement).hidden = !open;
  if (!open) {
    showSettled();
    document.title = "The bench";
    sheet.clear();
    showStart(wire, wire.state);
    return;
  }
  const isOther = units.inch !== (open.settings.units === "in");
  units.inch = open.settings.units === "in";
  if (isOther) sheet.moved();
  document.title = `${open.name} · the bench`;
  the("title", HTMLHeadingElement).textContent = open.name;
  the("undo", HTMLButtonElement).disabled = !open.can_undo;
  the("redo", HTMLButtonElement).disabled = !open.can_redo;
  const save = the("save", HTMLButtonElement);
  save.textContent = open.is_written ? "saved" : "save";
  save.className = open.is_written ? "" : "strong";
  if (!wire.drawing) sheet.clear();
  if (open.trouble) wait(null);
  notes.take(wire.drawing);
  fillPlace();
  showBusy();
}

function showDrawing() {
  if (!wire.drawing || !wire.state.open) return;
  if (!the("waiting", HTMLImageElement).hidden) wait(null, sheet.photograph);
  sheet.take(wire.drawing);
  notes.take(wire.drawing);
  fillPlace();
  showBusy();
  const where = the("where", HTMLOutputElement);
  if (wire.drawing.number && where.dataset.of !== wire.drawing.name) {
    where.dataset.of = wire.drawing.name;
    where.textContent = sizeWords(wire.drawing);
  }
}

let busyTimer = 0;

/** Whether what is drawn answers the newest step, order of cuts and all: for whoever waits for it. */
function showSettled() {
  const { open } = wire.state;
  const { drawing } = wire;
  const isIt = open && drawing && drawing.number === open.number;
  const data = document.documentElement.dataset;
  data.number = String(open?.number ?? "");
  data.answered = String(drawing?.number ?? "");
  data.settled = (isIt && drawing.is_final) || open?.trouble ? "yes" : "no";
}

function showBusy() {
  showSettled();
  const busy = the("busy", HTMLParagraphElement);
  clearTimeout(busyTimer);
  const rough = wire.drawing?.is_rough ? "a first look · " : "";
  const words = wire.isLost ? "the bench does not answer; your job is saved" : wire.stage ? `${rough}${STAGES[wire.stage] ?? "working"} …` : "";
  if (!words) busy.hidden = true;
  else if (!busy.hidden || !wire.drawing || wire.isLost) tellBusy(words);
  else busyTimer = window.setTimeout(() => tellBusy(words), 400);
}

/** @param {string} words */
function tellBusy(words) {
  const busy = the("busy", HTMLParagraphElement);
  busy.textContent = words;
  busy.hidden = !the("doing", HTMLDivElement).hidden;
}

let toastTimer = 0;

/** @param {string} words */
function toast(words) {
  const place = the("toast", HTMLParagraphElement);
  place.textContent = words;
  place.hidden = false;
  clearTimeout(toastTimer);
  toastTimer = window.setTimeout(() => (place.hidden = true), 9000);
}

async function save() {
  const button = the("save", HTMLButtonElement);
  button.textContent = "saving …";
  const told = await wire.post("/save");
  if (!told) showState();
}

wire.addEventListener("state", showState);
wire.addEventListener("drawing", showDrawing);
wire.addEventListener("stage", showBusy);
wire.addEventListener("glimpses", () => place === "drawing" && fillPlace());
wire.addEventListener("line", showBusy);
wire.addEventListener("trouble", (event) => toast(/** @type {CustomEvent<string>} */ (event).detail));

document.querySelectorAll("[data-place]").forEach((button) => {
  button.addEventListener("click", () => go(/** @type {HTMLElement} */ (button).dataset.place ?? "drawing"));
});
the("undo", HTMLButtonElement).addEventListener("click", () => wire.post("/undo"));
the("redo", HTMLButtonElement).addEventListener("click", () => wire.post("/redo"));
the("save", HTMLButtonElement).addEventListener("click", save);
the("whole", HTMLButtonElement).addEventListener("click", () => sheet.whole());
the("nearer", HTMLButtonElement).addEventListener("click", () => sheet.zoom(1.4));
the("farther", HTMLButtonElement).addEventListener("click", () => sheet.zoom(1 / 1.4));
the("pull", HTMLButtonElement).addEventListener("click", () => {
  const isShut = the("side", HTMLElement).classList.toggle("shut");
  the("pull", HTMLButtonElement).setAttribute("aria-expanded", String(!isShut));
});
if (innerWidth < 520) {
  the("side", HTMLElement).classList.add("shut");
  the("pull", HTMLButtonElement).setAttribute("aria-expanded", "false");
}
const bench = {
  sheet, touch, wire, go, save,
  next: () => notes.next(),
  finished: showFinished,
};
the("more", HTMLButtonElement).addEventListener("click", () => showHelp(bench));
listen(bench);
document.addEventListener("dragover", (event) => event.preventDefault());
document.addEventListener("drop", (event) => {
  event.preventDefault();
  const dropped = event.dataTransfer?.files[0];
  if (dropped && wire.state.open) bring(wire, dropped);
});

const light = localStorage.getItem("raster2path-light") ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
if (localStorage.getItem("raster2path-light")) setLight(light);
else document.documentElement.dataset.light = light;
go(place);
