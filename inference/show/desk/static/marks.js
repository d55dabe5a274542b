// The kinds' marker shapes, as on the report: drawn round (0, 0), 24 units across.

const drawn = new Map(); // by kind, size and screen, since lines with rims are slow to draw

/** Draw a kind's marker at (x, y), `size` CSS px across. */
export function drawMarker(context, kind, x, y, size) {
  const ratio = window.devicePixelRatio || 1;
  const name = `${kind.name} ${size} ${ratio}`;
  if (!drawn.has(name)) drawn.set(name, sprite(kind, size * ratio));
  const side = (size * 28) / 24;
  context.imageSmoothingEnabled = true;
  context.drawImage(drawn.get(name), x - side / 2, y - side / 2, side, side);
}

function sprite(kind, size) {
  const side = Math.ceil((size * 28) / 24);
  const canvas = new OffscreenCanvas(side, side);
  const context = canvas.getContext("2d");
  const { solid } = kind;
  const path = new Path2D(kind.path);
  context.translate(side / 2, side / 2);
  context.scale(side / 28, side / 28);
  context.lineCap = context.lineJoin = "round";
  const rims = solid ? [["#ffffff", 7], ["#14181d", 3.5]] : [["#ffffff", 12], ["#14181d", 8.5]];
  for (const [color, width] of solid ? rims : [...rims, [kind.color, 4.5]]) {
    context.strokeStyle = color;
    context.lineWidth = width;
    context.stroke(path);
  }
  context.fillStyle = kind.color;
  if (solid) context.fill(path);
  return canvas.transferToImageBitmap();
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
