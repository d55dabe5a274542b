// Reads and colours index pictures, away from the page's own thread (see Raster in rasters.js).

import { bitmap, indexOf } from "./rasters.js";

const indices = new Map();

self.onmessage = async ({ data: { id, number, load, color } }) => {
  const made = load ? await loaded(number, load) : colored(indices.get(number) ?? null, color);
  self.postMessage({ id, made }, Object.values(made).filter((each) => each !== null));
};

async function loaded(number, { picture: picturePath, index: indexPath }) {
  // one that is cut short or gone is left out, as a picture that was never written
  const [picture, index] = await Promise.all(
    [bitmap(picturePath), indexOf(indexPath)].map((each) => each.catch(() => null)));
  if (index !== null) indices.set(number, index);
  return { picture, small: picture && quarter(picture) };
}

function colored(raster, { colors, hatch }) {
  if (raster === null) return { tint: null, small: null, hatched: null };
  const table = new Uint32Array(256);
  colors.forEach((color, k) => { table[k] = color === null ? 0 : packed(color); });
  const pixels = new ImageData(raster.width, raster.height);
  const out = new Uint32Array(pixels.data.buffer);
  for (let i = 0; i < out.length; i += 1) out[i] = table[raster.index[i]];
  const tint = drawn(pixels);
  return { tint, small: quarter(tint), hatched: hatch && hatched(raster, hatch) };
}

/** Lines where the index is `wanted`; `plain` fills between them, null leaves it. */
function hatched({ width, height, index }, { index: wanted, line, plain }) {
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

/** A smaller copy, for drawing it small without touching every pixel. */
function quarter(picture) {
  const small = new OffscreenCanvas(Math.ceil(picture.width / 4), Math.ceil(picture.height / 4));
  const context = small.getContext("2d");
  context.imageSmoothingQuality = "medium";
  context.drawImage(picture, 0, 0, small.width, small.height);
  return small.transferToImageBitmap();
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
