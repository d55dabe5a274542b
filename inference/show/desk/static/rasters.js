// Pictures and index pictures from the desk, and index pictures turned into colour.

/** A picture as a bitmap; null where there is none. */
export async function bitmap(path) {
  if (path === null) return null;
  const response = await fetch(path);
  return response.ok ? createImageBitmap(await response.blob()) : null;
}

/** Draw of a picture laid out at (x, y, width, height) what lies within (0, 0, right, bottom). */
export function drawVisible(context, picture, [x, y, width, height], right, bottom) {
  const [left, top] = [Math.max(0, x), Math.max(0, y)];
  const [w, h] = [Math.min(right, x + width) - left, Math.min(bottom, y + height) - top];
  if (w <= 0 || h <= 0) return;
  const [across, down] = [picture.width / width, picture.height / height];
  const source = [(left - x) * across, (top - y) * down, w * across, h * down];
  context.drawImage(picture, ...source, left, top, w, h);
}

/** A smaller copy of a picture or canvas, for drawing it small without touching every pixel. */
export function quarter(picture) {
  const [width, height] = [Math.ceil(picture.width / 4), Math.ceil(picture.height / 4)];
  const small = new OffscreenCanvas(width, height);
  const context = small.getContext("2d");
  context.imageSmoothingQuality = "medium";
  context.drawImage(picture, 0, 0, width, height);
  return small.transferToImageBitmap();
}

/** An 8-bit index picture: {width, height, index: Uint8Array}; null where there is none. */
export async function indexOf(path) {
  const picture = await bitmap(path);
  if (picture === null) return null;
  const { width, height } = picture;
  const context = new OffscreenCanvas(width, height).getContext("2d", { willReadFrequently: true });
  context.drawImage(picture, 0, 0);
  const rgba = context.getImageData(0, 0, width, height).data;
  const index = new Uint8Array(width * height);
  for (let i = 0; i < index.length; i += 1) index[i] = rgba[4 * i];
  return { width, height, index };
}

/** A bitmap with a colour for each index: `colors` holds "#rrggbb", or null for nothing. */
export function colored({ width, height, index }, colors) {
  const table = new Uint32Array(256);
  colors.forEach((color, k) => { table[k] = color === null ? 0 : packed(color); });
  const pixels = new ImageData(width, height);
  const out = new Uint32Array(pixels.data.buffer);
  for (let i = 0; i < out.length; i += 1) out[i] = table[index[i]];
  return drawn(pixels);
}

/** A bitmap hatched where the index is `wanted`; `plain` fills between the lines, null leaves it. */
export function hatched({ width, height, index }, wanted, line, plain) {
  const pixels = new ImageData(width, height);
  const out = new Uint32Array(pixels.data.buffer);
  const [on, off] = [packed(line), plain === null ? 0 : packed(plain)];
  for (let y = 0, i = 0; y < height; y += 1) {
    for (let x = 0; x < width; x += 1, i += 1) {
      if (index[i] === wanted) out[i] = (x + y) % 10 < 2 ? on : off;
    }
  }
  return drawn(pixels);
}

/** "#rrggbb" as one pixel of ImageData (little-endian, as all browsers' machines are). */
function packed(color) {
  const [r, g, b] = [1, 3, 5].map((at) => parseInt(color.slice(at, at + 2), 16));
  return (0xff000000 | (b << 16) | (g << 8) | r) >>> 0;
}

function drawn(pixels) {
  const canvas = new OffscreenCanvas(pixels.width, pixels.height);
  canvas.getContext("2d").putImageData(pixels, 0, 0);
  return canvas.transferToImageBitmap();
}
