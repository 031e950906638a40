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
  const input = make("input", { type: "text", inputmode: "decimal", "aria-label": `${label}, in ${units.word}`, "data-key": key, autocomplete: "off", placeholder: none });
  input.value = mm === null ? "" : bare(mm, 1);
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

/** @param {...(Node | string)} parts */
export function sentence(...parts) {
  return make("p", { class: "sentence" }, ...parts);
}

/**
 * Fill a place without taking the keyboard away from whoever types there.
 * @param {HTMLElement} box @param {(Node | string)[]} inside
 */
export function fill(box, inside) {
  const active = document.activeElement;
  const key = active instanceof HTMLElement && box.contains(active) ? active.dataset.key : undefined;
  const isTyping = active instanceof HTMLInputElement && active.type === "text" && active.value !== active.defaultValue;
  if (key && isTyping && box.dataset.typing === key) return;
  const top = box.parentElement?.scrollTop ?? 0;
  box.replaceChildren(...inside);
  if (box.parentElement) box.parentElement.scrollTop = top;
  if (key) /** @type {HTMLElement | null} */ (box.querySelector(`[data-key="${key}"]`))?.focus({ preventScroll: true });
}
