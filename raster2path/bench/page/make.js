/** Elements, in one line each. Text is always text: nothing a customer wrote becomes markup. */

const SVG = "http://www.w3.org/2000/svg";

/**
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, unknown>} [having] attributes; functions are listeners, false leaves it out
 * @param {...(Node | string)} inside
 * @returns {HTMLElementTagNameMap[K]}
 */
export function make(tag, having = {}, ...inside) {
  const element = document.createElement(tag);
  dress(element, having);
  element.append(...inside);
  return element;
}

/**
 * @template {keyof SVGElementTagNameMap} K
 * @param {K} tag
 * @param {Record<string, unknown>} [having]
 * @param {...(Node | string)} inside
 * @returns {SVGElementTagNameMap[K]}
 */
export function draw(tag, having = {}, ...inside) {
  const element = document.createElementNS(SVG, tag);
  dress(element, having);
  element.append(...inside);
  return element;
}

/**
 * @param {Element} element
 * @param {Record<string, unknown>} having
 */
export function dress(element, having) {
  for (const [name, value] of Object.entries(having)) {
    if (typeof value === "function") element.addEventListener(name, /** @type {EventListener} */ (value));
    else if (value === true) element.setAttribute(name, "");
    else if (value === false || value === null || value === undefined) element.removeAttribute(name);
    else element.setAttribute(name, String(value));
  }
}

/**
 * @template {Element} T
 * @param {string} id
 * @param {new () => T} kind
 * @returns {T}
 */
export function the(id, kind) {
  const found = document.getElementById(id);
  if (!(found instanceof kind)) throw new Error(`no ${id}`);
  return found;
}

/** @param {string} words */
export function say(words) {
  const place = document.getElementById("say");
  if (place) place.textContent = words;
}
