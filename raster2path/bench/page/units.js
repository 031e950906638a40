/** Millimetres, or inches where they were chosen; the server only ever hears millimetres. */

export const units = {
  /** as the job says */
  inch: false,
  get word() {
    return this.inch ? "in" : "mm";
  },
  /** for whoever hears it */
  get name() {
    return this.inch ? "inches" : "mm";
  },
  /** how far an arrow key moves a thing, in mm; with shift ten times as far */
  get nudge_mm() {
    return this.inch ? 0.508 : 0.5;
  },
};

/**
 * A length to read, with its unit.
 * @param {number} mm
 * @param {number} [digits] after the point, in mm
 */
export function length(mm, digits = 0) {
  return `${bare(mm, digits)} ${units.word}`;
}

/**
 * @param {number} mm
 * @param {number} [digits]
 */
export function bare(mm, digits = 0) {
  if (!units.inch) return trimmed(mm.toFixed(digits));
  return trimmed((mm / 25.4).toFixed(digits + 2));
}

/** A long way to read, in metres or feet. @param {number} metres */
export function way(metres) {
  return units.inch ? `${(metres / 0.3048).toFixed(0)} ft` : `${metres.toFixed(1)} m`;
}

/** @param {number} kg */
export function mass(kg) {
  return units.inch ? `${(kg / 0.45359237).toFixed(1)} lb` : `${kg.toFixed(2)} kg`;
}

/** A difference of temperatures. @param {number} kelvin */
export function warmth(kelvin) {
  return units.inch ? `${Math.round(1.8 * kelvin)} °F` : `${Math.round(kelvin)} °C`;
}

/** @param {string} text */
function trimmed(text) {
  return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
}

/**
 * What was typed, as a length with a unit for the server, or null.
 * @param {string} text
 */
export function typed(text) {
  const words = text.trim().replace(",", ".").toLowerCase();
  if (!/^\d*\.?\d+ *(mm|cm|m|in|"|ft)?$/.test(words)) return null;
  return /\d$/.test(words) ? words + units.word : words;
}

/**
 * What was typed, in mm.
 * @param {string} text
 */
export function typedMm(text) {
  const words = typed(text);
  if (words === null) return null;
  const size = parseFloat(words);
  const unit = words.replace(/^[\d. ]+/, "");
  return size * ({ mm: 1, cm: 10, m: 1000, in: 25.4, '"': 25.4, ft: 304.8 }[unit] ?? 1);
}
