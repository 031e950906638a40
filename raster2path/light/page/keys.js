/** What a key asks for, on either page; a pedal sends keys, too. */

const VIEWS = { r: "register", g: "check", m: "mark", a: "all", n: "next" };
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/**
 * @param {KeyboardEvent} event
 * @param {any} state
 * @returns {any} an act, or null
 */
export function asked(event, state) {
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (event.altKey || event.metaKey) return null;
  if (key in ARROWS && state.view === "register") {
    const by = event.ctrlKey ? 10 : event.shiftKey ? 1 : 0.1;
    const [x, y] = ARROWS[key];
    return { do: "nudge", x: x * by, y: y * by };
  }
  if (event.ctrlKey) return null;
  if ([" ", "PageDown", "Enter", "ArrowRight", "ArrowDown"].includes(key)) return { do: "step", by: 1 };
  if (["PageUp", "Backspace", "ArrowLeft", "ArrowUp"].includes(key)) return { do: "step", by: -1 };
  if (key === "Home") return { do: "cut", number: 1 };
  if (key in VIEWS) return { do: "view", view: VIEWS[key] };
  if (key === "b" || key === ".") return { do: "blank" };
  if (key === "p") return { do: "punch" };
  if (key >= "1" && key <= "9" && Number(key) <= state.marks.length) return { do: "select", mark: Number(key) - 1 };
  return null;
}
