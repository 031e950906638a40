/** The light itself: the scene's lines where the map says, in whole pixels of the projector. */

const DIGIT_SHARE = 0.73;
const BANNER_PX = 32;
const PUNCH_PX = 2.5;
const CROSS_PX = 40;
const BRIGHT = "#F0E442";

/** @param {any} map @param {number} x @param {number} y @returns {[number, number]} */
export function toPx(map, x, y) {
  const h = map.matrix;
  const w = h[6] * x + h[7] * y + h[8];
  const u = (h[0] * x + h[1] * y + h[2]) / w;
  const v = (h[3] * x + h[4] * y + h[5]) / w;
  const [share, mx, my, radius] = map.bow;
  const [dx, dy] = [u - mx, v - my];
  const pushed = 1 + (share * (dx * dx + dy * dy)) / (radius * radius);
  return [mx + dx * pushed, my + dy * pushed];
}

/**
 * @param {CanvasRenderingContext2D} pen
 * @param {any} scene
 * @param {any} state
 */
export function draw(pen, scene, state) {
  const { width, height } = pen.canvas;
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.fillStyle = "#000";
  pen.fillRect(0, 0, width, height);
  pen.lineCap = "round";
  pen.lineJoin = "round";
  if (state.map) {
    for (const [index, colour, thick, isDashed] of state.lit.strokes) {
      line(pen, state.map, scene.strokes[index], colour, thick, isDashed);
    }
    if (state.lit.is_punched) punched(pen, state.map, scene);
    for (const [index, colour] of state.lit.words) word(pen, state.map, scene.words[index], colour);
  }
  pen.setTransform(1, 0, 0, 1, 0, 0);
  if (state.lit.banner) {
    pen.fillStyle = scene.aid;
    pen.textAlign = "left";
    pen.font = `${BANNER_PX}px sans-serif`;
    pen.fillText(state.lit.banner, BANNER_PX, height - BANNER_PX);
  }
  if (state.view === "register" && !state.is_blank) state.marks.forEach((mark, i) => cross(pen, mark.px, i, i === state.selected));
}

function line(pen, map, points, colour, thick, isDashed) {
  pen.strokeStyle = colour;
  pen.lineWidth = thick;
  pen.setLineDash(isDashed ? [8, 6] : []);
  pen.beginPath();
  for (let i = 0; i < points.length; i += 2) {
    const [x, y] = toPx(map, points[i], points[i + 1]);
    if (i) pen.lineTo(x, y);
    else pen.moveTo(x, y);
  }
  pen.stroke();
  pen.setLineDash([]);
}

function punched(pen, map, scene) {
  pen.fillStyle = scene.aid;
  for (let i = 0; i < scene.punched.length; i += 2) {
    const [x, y] = toPx(map, scene.punched[i], scene.punched[i + 1]);
    pen.beginPath();
    pen.arc(x, y, PUNCH_PX, 0, 2 * Math.PI);
    pen.fill();
  }
}

/** A numeral, slanted as its place on the sheet asks. */
function word(pen, map, [text, x, y, tall], colour) {
  const at = toPx(map, x, y);
  const right = toPx(map, x + 1, y);
  const down = toPx(map, x, y + 1);
  pen.setTransform(right[0] - at[0], right[1] - at[1], down[0] - at[0], down[1] - at[1], at[0], at[1]);
  pen.fillStyle = colour;
  pen.textAlign = "center";
  pen.font = `${tall / DIGIT_SHARE}px sans-serif`;
  pen.fillText(text, 0, tall / 2);
  pen.setTransform(1, 0, 0, 1, 0, 0);
}

/** A cross with its number; the one that keys move is yellow and has a ring. */
function cross(pen, [x, y], index, isSelected) {
  pen.strokeStyle = isSelected ? BRIGHT : "#FFFFFF";
  pen.fillStyle = pen.strokeStyle;
  pen.lineWidth = 2;
  pen.beginPath();
  pen.moveTo(x - CROSS_PX, y);
  pen.lineTo(x + CROSS_PX, y);
  pen.moveTo(x, y - CROSS_PX);
  pen.lineTo(x, y + CROSS_PX);
  pen.stroke();
  if (isSelected) {
    pen.beginPath();
    pen.arc(x, y, CROSS_PX * 0.6, 0, 2 * Math.PI);
    pen.stroke();
  }
  const { width, height } = pen.canvas;
  pen.textAlign = "center";
  pen.font = "28px sans-serif";
  const [dx, dy] = [x > width / 2 ? -CROSS_PX : CROSS_PX, y > height / 2 ? -CROSS_PX + 14 : CROSS_PX + 6];
  pen.fillText(String(index + 1), x + 0.7 * dx, y + 0.7 * dy);
}
