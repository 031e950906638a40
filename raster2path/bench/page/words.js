/** The row of words beside the finger: at most five, gone by themselves. */

import { make, the } from "./make.js";

/** @typedef {{word: string, is?: boolean, go: () => void}} Word */

const STAY_MS = 12000;
let timer = 0;
/** @type {Element | null} */
let from = null;
/** @type {(() => void) | null} */
let onGone = null;

/**
 * @param {string | null} about what was touched, in a few words
 * @param {Word[]} words
 * @param {{x: number, y: number}} at on the page
 * @param {() => void} [gone]
 */
export function offer(about, words, at, gone) {
  hush();
  onGone = gone ?? null;
  from = document.activeElement;
  const row = the("words", HTMLDivElement);
  const buttons = words.slice(0, 5).map(({ word, is, go }) =>
    make("button", {
      type: "button",
      "aria-pressed": is === undefined ? null : String(is),
      click: () => {
        hush(true);
        go();
      },
    }, word),
  );
  row.replaceChildren(...(about ? [make("p", {}, about)] : []), ...buttons);
  row.setAttribute("aria-label", about ?? "what to do with it");
  row.hidden = false;
  const box = row.getBoundingClientRect();
  const left = Math.max(8, Math.min(at.x - box.width / 2, innerWidth - box.width - 8));
  const above = at.y - box.height - 22;
  row.style.left = `${left}px`;
  row.style.top = `${above > 8 ? above : Math.min(at.y + 26, innerHeight - box.height - 8)}px`;
  timer = window.setTimeout(hush, STAY_MS);
  return buttons;
}

/**
 * Take the row away.
 * @param {boolean} [isBack] give the keyboard back to where it was
 */
export function hush(isBack = false) {
  const row = the("words", HTMLDivElement);
  clearTimeout(timer);
  if (row.hidden) return false;
  const hadFocus = row.contains(document.activeElement);
  row.hidden = true;
  onGone?.();
  onGone = null;
  if ((isBack === true || hadFocus) && (from instanceof HTMLElement || from instanceof SVGElement)) from.focus({ preventScroll: true });
  return true;
}
