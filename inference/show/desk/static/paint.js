// Strokes painted on an index mask, with the very arithmetic of the desk's labels.py, so that the page
// and the files for retraining come to the same pixels. Each returns the box that may have changed,
// [left, top, right, bottom], or null.

export const NOT_ANNOTATED = 255;

export class Mask {
  constructor(width, height, net) {
    Object.assign(this, { width, height, net });
    this.data = new Uint8Array(width * height).fill(NOT_ANNOTATED);
  }

  paint(stroke) {
    return this[stroke.tool](stroke);
  }

  /** Only the part of a brush stroke between two points. */
  segment([x0, y0], [x1, y1], radius, value) {
    const left = Math.max(0, Math.floor(Math.min(x0, x1) - radius));
    const top = Math.max(0, Math.floor(Math.min(y0, y1) - radius));
    const right = Math.min(this.width, Math.ceil(Math.max(x0, x1) + radius));
    const bottom = Math.min(this.height, Math.ceil(Math.max(y0, y1) + radius));
    if (right <= left || bottom <= top) return null;
    const [dx, dy] = [x1 - x0, y1 - y0];
    const length = dx * dx + dy * dy;
    for (let row = top; row < bottom; row += 1) {
      const py = row + 0.5;
      for (let column = left; column < right; column += 1) {
        const px = column + 0.5;
        let along = length > 0 ? ((px - x0) * dx + (py - y0) * dy) / length : 0;
        along = Math.min(Math.max(along, 0), 1);
        const awayX = px - (x0 + along * dx);
        const awayY = py - (y0 + along * dy);
        if (awayX * awayX + awayY * awayY <= radius * radius) this.data[row * this.width + column] = value;
      }
    }
    return [left, top, right, bottom];
  }

  brush({ points, radius, value }) {
    let box = null;
    for (let k = 0; k < Math.max(1, points.length - 1); k += 1) {
      const next = points[Math.min(k + 1, points.length - 1)];
      box = joined(box, this.segment(points[k], next, radius, value));
    }
    return box;
  }

  polygon({ points, value }) {
    const ys = points.map((point) => point[1]);
    const top = Math.max(0, Math.floor(Math.min(...ys)));
    const bottom = Math.min(this.height, Math.ceil(Math.max(...ys)));
    for (let row = top; row < bottom; row += 1) {
      const y = row + 0.5;
      const crossings = [];
      points.forEach(([x0, y0], k) => {
        const [x1, y1] = points[(k + 1) % points.length];
        if ((y0 <= y) !== (y1 <= y)) crossings.push(x0 + ((y - y0) / (y1 - y0)) * (x1 - x0));
      });
      crossings.sort((a, b) => a - b);
      for (let k = 0; k + 1 < crossings.length; k += 2) {
        const start = Math.max(0, Math.ceil(crossings[k] - 0.5));
        const end = Math.min(this.width, Math.ceil(crossings[k + 1] - 0.5));
        if (end > start) this.data.fill(value, row * this.width + start, row * this.width + end);
      }
    }
    return top < bottom ? [0, top, this.width, bottom] : null;
  }

  flood({ points, value }) {
    const [x, y] = points[0].map(Math.floor);
    const { width, height, data, net } = this;
    if (x < 0 || y < 0 || x >= width || y >= height) return null;
    const shown = (i) => data[i] === NOT_ANNOTATED ? net[i] : data[i];
    const wanted = shown(y * width + x);
    const seen = new Uint8Array(width * height);
    const todo = [y * width + x];
    seen[todo[0]] = 1;
    const found = [];
    const visit = (i) => {
      if (!seen[i] && shown(i) === wanted) {
        seen[i] = 1;
        todo.push(i);
      }
    };
    while (todo.length > 0) {
      const i = todo.pop();
      found.push(i);
      const column = i % width;
      if (column > 0) visit(i - 1);
      if (column < width - 1) visit(i + 1);
      if (i >= width) visit(i - width);
      if (i < width * (height - 1)) visit(i + width);
    }
    for (const i of found) data[i] = value;
    return [0, 0, width, height];
  }

  accept({ value }) {
    const { data, net } = this;
    for (let i = 0; i < data.length; i += 1) {
      if (data[i] === NOT_ANNOTATED && (value === null || net[i] === value)) data[i] = net[i];
    }
    return [0, 0, this.width, this.height];
  }
}

/** The strokes that hold: each undo takes back the last one of its plane. */
export function undone(strokes) {
  const kept = [];
  for (const stroke of strokes) {
    if (stroke.tool !== "undo") {
      kept.push(stroke);
      continue;
    }
    const at = kept.findLastIndex((each) => each.plane === stroke.plane);
    if (at >= 0) kept.splice(at, 1);
  }
  return kept;
}

export function joined(a, b) {
  if (a === null || b === null) return a ?? b;
  return [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.max(a[2], b[2]), Math.max(a[3], b[3])];
}
