/** The projector's page: black, full screen; crosses can be dragged, keys do the rest. */

import { draw } from "/page/draw.js";
import { asked } from "/page/keys.js";
import { Wire } from "/page/wire.js";

const canvas = document.querySelector("#light");
const pen = canvas.getContext("2d", { alpha: false });
const pattern = document.querySelector("#pattern");
const hint = document.querySelector("#hint");
const wire = new Wire();
let scene = null;
/** While a cross is dragged: which, and from where the finger holds it. */
let held = null;

const fetched = fetch("/scene").then(async (answer) => { scene = await answer.json(); });

/** As many pixels as the projector has. */
function fit() {
  const columns = Math.round(innerWidth * devicePixelRatio);
  const rows = Math.round(innerHeight * devicePixelRatio);
  canvas.width = columns;
  canvas.height = rows;
  if (wire.state) tellSize();
  show();
}

function tellSize() {
  const [columns, rows] = wire.state.size_px;
  if (columns !== canvas.width || rows !== canvas.height) wire.ask({ do: "size", columns: canvas.width, rows: canvas.height });
}

function show() {
  const state = wire.state;
  if (!scene || !state) return;
  const isPattern = state.view === "pattern" && !state.is_blank;
  if (isPattern) {
    const wanted = `/pattern?${state.size_px.join("x")}`;
    if (!pattern.src.endsWith(wanted)) pattern.src = wanted;
  }
  pattern.hidden = !isPattern;
  hint.hidden = hint.hidden || state.view !== "register";
  document.body.className = `steel ${state.view === "register" ? "register" : "quiet"}`;
  if (held) state.marks[held.mark].px = held.at;
  draw(pen, scene, state);
  document.querySelector("#say").textContent = state.view === "next" ? state.told_cut : state.view;
  document.documentElement.dataset.shown = String(state.number);
}

wire.addEventListener("state", async () => {
  await fetched;
  if (document.documentElement.dataset.shown === undefined) tellSize();
  show();
});
wire.addEventListener("line", (event) => { document.querySelector("#lost").hidden = event.detail; });
addEventListener("resize", fit);

function pixel(event) {
  return [event.clientX * devicePixelRatio, event.clientY * devicePixelRatio];
}

canvas.addEventListener("pointerdown", (event) => {
  canvas.focus();
  const state = wire.state;
  if (!state || state.view !== "register" || state.is_blank) return;
  const [x, y] = pixel(event);
  const far = state.marks.map(({ px }) => Math.hypot(px[0] - x, px[1] - y));
  const mark = far.indexOf(Math.min(...far));
  const [cx, cy] = state.marks[mark].px;
  held = { mark, by: [cx - x, cy - y], at: [cx, cy] };
  canvas.setPointerCapture(event.pointerId);
  wire.ask({ do: "select", mark });
});

canvas.addEventListener("pointermove", (event) => {
  if (!held) return;
  const [x, y] = pixel(event);
  const inside = (value, most) => Math.min(Math.max(value, 0), most);
  held.at = [inside(x + held.by[0], canvas.width), inside(y + held.by[1], canvas.height)];
  show();
  wire.hurry({ do: "move", mark: held.mark, x: held.at[0], y: held.at[1] });
});

for (const name of ["pointerup", "pointercancel"]) {
  canvas.addEventListener(name, async () => {
    if (!held) return;
    const { mark, at } = held;
    await wire.hurry({ do: "move", mark, x: at[0], y: at[1] });
    held = null;
  });
}

async function fullScreen() {
  if (document.fullscreenElement) await document.exitFullscreen();
  else await document.documentElement.requestFullscreen({ navigationUI: "hide" }).catch(() => {});
}

document.addEventListener("fullscreenchange", () => { hint.hidden = document.fullscreenElement !== null; });
canvas.addEventListener("dblclick", fullScreen);

addEventListener("keydown", (event) => {
  if (event.key === "f" || event.key === "F") {
    fullScreen();
    return;
  }
  const act = wire.state && asked(event, wire.state);
  if (!act) return;
  hint.hidden = true;
  event.preventDefault();
  wire.ask(act);
});

fit();
