// Pictures and index pictures from the desk. Index pictures are read and coloured by workers, so that
// the page can be used meanwhile.

const crew = [];
const CREW = 2; // more would only crowd out the page itself
export const BAND = 1024; // rows worked on at once, so that large pictures take little memory
const waiting = new Map();
let numbered = 0;

/** A picture as a bitmap; null where there is none. */
export async function bitmap(path) {
  if (path === null) return null;
  const response = await fetch(path);
  return response.ok ? createImageBitmap(await response.blob()) : null;
}

/** An 8-bit index picture: {width, height, index: Uint8Array}; null where there is none. */
export async function indexOf(path) {
  const picture = await bitmap(path);
  if (picture === null) return null;
  const { width, height } = picture;
  const index = new Uint8Array(width * height);
  const band = Math.min(height, BAND);
  const context = new OffscreenCanvas(width, band).getContext("2d", { willReadFrequently: true });
  for (let top = 0; top < height; top += band) {
    const rows = Math.min(band, height - top);
    context.clearRect(0, 0, width, band);
    context.drawImage(picture, 0, -top);
    const rgba = context.getImageData(0, 0, width, rows).data;
    const begin = top * width;
    for (let i = 0; i < width * rows; i += 1) index[begin + i] = rgba[4 * i];
  }
  return { width, height, index };
}

/** A picture with its index picture (addresses, null for none), at a worker that keeps them. */
export class Raster {
  constructor(picture, index) {
    this.number = numbered;
    numbered += 1;
    this.paths = { picture, index };
    this.worker = workerOf(this.number);
  }

  /** {picture, small}: bitmaps, null where there is none. */
  load() {
    return this.ask({ load: this.paths });
  }

  /**
   * {tint, small, hatched}: bitmaps of the index picture with a colour for each index ("#rrggbb",
   * null for nothing) and, where `hatch` {index, line, plain} is given, of one index hatched.
   */
  colored(colors, hatch = null) {
    return this.ask({ color: { colors, hatch } });
  }

  ask(wanted) {
    const id = numbered;
    numbered += 1;
    this.worker.postMessage({ id, number: this.number, ...wanted });
    return new Promise((resolve) => { waiting.set(id, resolve); });
  }
}

function workerOf(number) {
  const at = number % CREW;
  if (!crew[at]) {
    crew[at] = new Worker(new URL("raster-worker.js", import.meta.url), { type: "module" });
    crew[at].onmessage = ({ data }) => {
      waiting.get(data.id)(data.made);
      waiting.delete(data.id);
    };
  }
  return crew[at];
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
