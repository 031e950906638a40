/** The empty bench: drop a picture, choose one, take one, or go on with a job. */

/** @import {State} from "./types.js" */
/** @import {Wire} from "./wire.js" */

import { make, the } from "./make.js";

/** @param {Wire} wire @param {State} state */
export function showStart(wire, state) {
  const box = the("start", HTMLElement);
  const drop = make("div", { class: "drop" },
    make("h2", {}, "Drop a picture here"),
    make("p", {}, "A photograph of a drawing, a scan, or a picture in black and white."),
    make("div", { class: "row" }, file("choose a file", "strong", false, wire), file("take a photograph", "outlined", true, wire)));
  drop.addEventListener("dragover", (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    const dropped = event.dataTransfer?.files[0];
    if (dropped) bring(wire, dropped);
  });
  const recent = (state.recent ?? []).map((job) =>
    make("li", {}, make("button", { type: "button", click: () => wire.post("/open", { number: job.number }) }, job.name, make("small", {}, job.when))));
  const going = recent.length ? [make("h2", {}, "Go on with"), make("ul", { class: "recent" }, ...recent)] : [];
  box.replaceChildren(make("div", {},
    make("h1", {}, "The bench"),
    make("p", {}, "From a drawing to lines that a hand can follow with a plasma torch."),
    drop, ...going,
    make("p", { class: "soft" }, `Jobs are kept in ${state.jobs ?? ""}. Nothing leaves this machine.`)));
}

/** @param {string} words @param {string} look @param {boolean} isCamera @param {Wire} wire */
function file(words, look, isCamera, wire) {
  const input = make("input", { type: "file", accept: "image/*,.heic,.heif", capture: isCamera ? "environment" : null, "aria-label": words, "data-camera": isCamera ? "yes" : "no" });
  input.addEventListener("change", () => {
    const chosen = input.files?.[0];
    if (chosen) bring(wire, chosen);
    input.value = "";
  });
  return make("span", { class: `button file ${look}` }, words, input);
}

/** @param {Wire} wire @param {File} picture */
export async function bring(wire, picture) {
  const busy = the("start", HTMLElement).querySelector(".drop h2");
  if (busy) busy.textContent = `Bringing in ${picture.name} …`;
  wait(picture);
  const told = await wire.post(`/picture?name=${encodeURIComponent(picture.name)}`, picture);
  if (told) return;
  wait(null);
  if (busy) busy.textContent = "Drop a picture here";
}

/**
 * The picture itself, as the browser shows it, until the drawing is there.
 * @param {File | null} picture
 * @param {SVGImageElement} [after] what takes its place, once it is loaded
 */
export function wait(picture, after) {
  if (after?.hasAttribute("href") && !after.dataset.isThere) {
    after.addEventListener("load", () => (after.dataset.isThere = "yes"), { once: true });
    after.addEventListener("load", () => wait(null), { once: true });
    return;
  }
  const img = the("waiting", HTMLImageElement);
  if (img.src) URL.revokeObjectURL(img.src);
  img.hidden = !picture;
  if (picture) img.src = URL.createObjectURL(picture);
  else img.removeAttribute("src");
  img.onerror = () => (img.hidden = true);
}
