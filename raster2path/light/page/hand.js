/** The page beside the table: large buttons that turn pages, the crosses, how well it lands. */

import { asked } from "/page/keys.js";
import { Wire } from "/page/wire.js";

const wire = new Wire();
const one = (name) => document.querySelector(name);
const all = (name) => document.querySelectorAll(name);
let isFine = true;
let typed = false;

function show() {
  const state = wire.state;
  if (!state) return;
  one("#title").textContent = state.title;
  one("#told").textContent = state.is_blank ? "dark" : heading(state);
  tell("#reminder", state.reminder, "#reminder span");
  tell("#warning", state.warning);
  one("#verdict").textContent = state.verdict;
  one("#resolution").textContent = state.resolution;
  one("#says").textContent = state.says;
  for (const button of all("[data-view]")) button.setAttribute("aria-current", String(button.dataset.view === state.view));
  one("[data-do=blank]").setAttribute("aria-pressed", String(state.is_blank));
  one("[data-do=punch]").setAttribute("aria-pressed", String(state.is_punched));
  one("#crosses").hidden = !["register", "pattern", "check"].includes(state.view);
  marks(state);
  one("#unit").textContent = state.units;
  if (!typed) one("#mm").value = state.marks.map(({ mm }) => mm.map((v) => told(v, state)).join(",")).join(" ");
  document.documentElement.dataset.shown = String(state.number);
}

/** How many millimetres one unit is that lengths are told in, and the digits they are told with. */
function unit(state) {
  return state.units === "in" ? { mm: 25.4, digits: 3, few: 1 } : { mm: 1, digits: 2, few: 0 };
}

function told(mm, { units }) {
  const each = unit({ units });
  return String(Number((mm / each.mm).toFixed(each.digits)));
}

/** Millimetres of what was typed; what was not touched is what it was, not what it is told as. */
function typedMm(text, state) {
  if (text.trim() === "") return null;
  const same = state.marks.flatMap(({ mm }) => mm).find((mm) => told(mm, state) === text.trim());
  return same ?? Number(text) * unit(state).mm;
}

function heading(state) {
  const names = { register: "put each cross on its mark", pattern: "photograph the whole sheet with the pattern on it",
    check: "measure the rules, look at the grid", all: "everything", mark: "mark out", next: state.told_cut };
  return names[state.view];
}

function tell(name, text, place = name) {
  one(name).hidden = !text;
  one(place).textContent = text;
}

function marks(state) {
  const group = one("#marks");
  const each = unit(state);
  while (group.children.length > state.marks.length) group.lastChild.remove();
  state.marks.forEach(({ mm, px }, index) => {
    let button = group.children[index];
    if (!button) {
      button = document.createElement("button");
      button.type = "button";
      button.addEventListener("click", () => wire.ask({ do: "select", mark: index }));
      button.append(document.createElement("span"), document.createElement("small"));
      group.append(button);
    }
    button.firstChild.textContent = `cross ${index + 1}`;
    button.lastChild.textContent = `${mm.map((v) => (v / each.mm).toFixed(each.few)).join(", ")} ${state.units} · ${px.map((v) => v.toFixed(1)).join(", ")} px`;
    button.setAttribute("aria-pressed", String(index === state.selected));
  });
}

wire.addEventListener("state", show);
wire.addEventListener("line", (event) => { one("#lost").hidden = event.detail; });
wire.addEventListener("trouble", (event) => tell("#trouble", event.detail));

for (const button of all("[data-view]")) button.addEventListener("click", () => wire.ask({ do: "view", view: button.dataset.view }));
for (const button of all("[data-do]")) button.addEventListener("click", () => wire.ask({ do: button.dataset.do }));
for (const button of all("[data-step]")) button.addEventListener("click", () => wire.ask({ do: "step", by: Number(button.dataset.step) }));
for (const button of all("[data-nudge]")) {
  button.addEventListener("click", () => {
    const [x, y] = button.dataset.nudge.split(",").map(Number);
    const by = isFine ? 0.1 : 1;
    wire.ask({ do: "nudge", x: x * by, y: y * by });
  });
}
one("#fine").addEventListener("click", () => {
  isFine = !isFine;
  one("#fine").setAttribute("aria-pressed", String(isFine));
  one("#fine").textContent = isFine ? "0.1" : "1";
});
one("#mm").addEventListener("input", () => { typed = true; });
one("#places").addEventListener("submit", (event) => {
  event.preventDefault();
  typed = false;
  const mm = one("#mm").value.trim().split(/\s+/).map((pair) => pair.split(",").map((v) => typedMm(v, wire.state)));
  wire.ask({ do: "marks", mm });
});
one("#photo").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  event.target.value = "";
  if (!file) return;
  one("#says").textContent = "looking at the photograph …";
  await wire.photo(file);
});
one("#open").addEventListener("click", () => window.open("/light", "raster2path-light", "popup"));

// A pedal that sends Space turns pages; it must not press again what a glove touched last.
addEventListener("click", (event) => {
  if (event.detail > 0 && event.target instanceof Element) event.target.closest("button")?.blur();
});

addEventListener("keydown", (event) => {
  const isTyping = event.target instanceof HTMLInputElement;
  const isPressing = event.target instanceof HTMLButtonElement || event.target.tagName === "SUMMARY";
  if (isTyping || (isPressing && ["Enter", " "].includes(event.key))) return;
  const act = wire.state && asked(event, wire.state);
  if (!act) return;
  event.preventDefault();
  wire.ask(act);
});
