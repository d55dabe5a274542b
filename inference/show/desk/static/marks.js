// The kinds' marker shapes, as on the report: drawn round (0, 0), 24 units across.

const SHAPES = {
  disc: ["solid", "M-8 0a8 8 0 1 0 16 0a8 8 0 1 0-16 0Z"],
  square: ["solid", "M-7.5-7.5h15v15h-15Z"],
  drop: ["solid", "M0-11C3-5 8-1 8 3.5a8 7.5 0 0 1-16 0C-8-1-3-5 0-11Z"],
  ring: ["line", "M-7 0a7 7 0 1 0 14 0a7 7 0 1 0-14 0Z"],
  wave: ["line", "M-9 3C-6-9-3-9 0 0S6 9 9-3"],
  cross: ["line", "M-7-7 7 7M-7 7 7-7"],
};
const paths = new Map();

function pathOf(marker) {
  if (!paths.has(marker)) paths.set(marker, new Path2D(SHAPES[marker][1]));
  return paths.get(marker);
}

/** Draw a kind's marker at (x, y), `size` CSS px across. */
export function drawMarker(context, kind, x, y, size) {
  const solid = SHAPES[kind.marker][0] === "solid";
  const path = pathOf(kind.marker);
  context.save();
  context.translate(x, y);
  context.scale(size / 24, size / 24);
  context.lineCap = context.lineJoin = "round";
  context.strokeStyle = "#ffffff";
  context.lineWidth = solid ? 7 : 12;
  context.stroke(path);
  context.strokeStyle = "#14181d";
  context.lineWidth = solid ? 3.5 : 8.5;
  context.stroke(path);
  if (solid) {
    context.fillStyle = kind.color;
    context.fill(path);
  } else {
    context.strokeStyle = kind.color;
    context.lineWidth = 4.5;
    context.stroke(path);
  }
  context.restore();
}

/** Text with a rim, so that it can be read on any picture. */
export function drawText(context, text, x, y, { ink, rim, align = "center", size = 12 }) {
  context.font = `600 ${size}px system-ui, "DejaVu Sans", sans-serif`;
  context.textAlign = align;
  context.textBaseline = "middle";
  context.lineJoin = "round";
  context.lineWidth = 3.5;
  context.strokeStyle = rim;
  context.strokeText(text, x, y);
  context.fillStyle = ink;
  context.fillText(text, x, y);
}
