/** Sentences with words in them that can be changed: the job as one would say it. */

/** @import {Wire} from "./wire.js" */

import { make } from "./make.js";
import { bare, typed, units } from "./units.js";

/**
 * A length within a sentence.
 * @param {Wire} wire @param {string} key of the setting @param {number | null} mm as it is @param {string} label
 * @param {string} [none] what stands there where there is none
 */
export function lengthIn(wire, key, mm, label, none = "") {
  const input = make("input", { type: "text", inputmode: "decimal", "aria-label": `${label}, in ${units.name}`, "data-key": key, autocomplete: "off", placeholder: none });
  input.value = mm === null ? "" : bare(mm, 1);
  holdable(input);
  input.addEventListener("change", () => {
    if (!input.value.trim()) return wire.change({ do: "set", key, value: null });
    const value = typed(input.value);
    if (value === null) return wire.trouble(`${label}: "${input.value}" is no length; expected a number such as 600 or 24in`);
    return wire.change({ do: "set", key, value });
  });
  return input;
}

/**
 * A choice within a sentence.
 * @param {string} label @param {string} key @param {string} value @param {[string, string][]} choices value and words
 * @param {(value: string) => void} go
 */
export function choiceIn(label, key, value, choices, go) {
  const select = make("select", { "aria-label": label, "data-key": key }, ...choices.map(([v, words]) => make("option", { value: v }, words)));
  select.value = value;
  select.addEventListener("change", () => go(select.value));
  return select;
}

/**
 * Words and choices, one after the other; a choice and what follows it are not parted.
 * @param {...(Node | string)} parts
 */
export function sentence(...parts) {
  /** @type {(Node | string)[]} */
  const out = [];
  for (const part of parts) {
    const last = out[out.length - 1];
    if (typeof part === "string" && last instanceof HTMLElement) {
      const [, first, rest] = /** @type {RegExpMatchArray} */ (part.match(/^(\s*\S*)([^]*)$/));
      out.pop();
      out.push(make("span", { class: "close" }, last, first), rest);
    } else out.push(part);
  }
  return make("p", { class: "sentence" }, ...out);
}

/**
 * Mark a thing as being in hand until it is let go, so that no answer takes it away meanwhile.
 * @param {HTMLInputElement} input
 */
export function holdable(input) {
  const begin = input.type === "range" ? "pointerdown" : "input";
  input.addEventListener(begin, () => (input.dataset.held = "yes"));
  for (const end of ["change", "pointerup", "blur"]) input.addEventListener(end, () => delete input.dataset.held);
  return input;
}

/**
 * Only what is live, while something is in hand.
 * @param {HTMLElement} box @param {(Node | string)[]} inside
 */
function refresh(box, inside) {
  const fresh = document.createElement("div");
  fresh.append(...inside);
  fresh.querySelectorAll("[data-live]").forEach((one) => {
    const old = box.querySelector(`[data-live="${/** @type {HTMLElement} */ (one).dataset.live}"]`);
    if (old) old.textContent = one.textContent;
  });
}

/**
 * Fill a place without taking the keyboard away from whoever types there.
 * @param {HTMLElement} box @param {(Node | string)[]} inside
 */
export function fill(box, inside) {
  const active = document.activeElement;
  const key = active instanceof HTMLElement && box.contains(active) ? active.dataset.key : undefined;
  if (key && /** @type {HTMLElement} */ (active).dataset.held) return refresh(box, inside);
  const top = box.scrollTop;
  box.replaceChildren(...inside);
  box.scrollTop = top;
  if (key) /** @type {HTMLElement | null} */ (box.querySelector(`[data-key="${key}"]`))?.focus({ preventScroll: true });
}
