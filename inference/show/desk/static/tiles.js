// A picture too large to be shown whole, in tiles of its own pixels, each fetched when it is looked at.

import { bitmap } from "./rasters.js";

const MOST_KEPT = 48; // tiles; 200 MB of pixels

export class Tiles {
  /**
   * `row` {side, columns, rows}: tiles of `side` px, the last of a row or column may be smaller;
   * `path(column, row)` gives an address; `draw` is called when one has come.
   */
  constructor(row, path, draw) {
    Object.assign(this, { row, path, draw });
    this.kept = new Map();
  }

  /** Paint those in view over what is there; those still to come are left out. */
  paint(context, pane) {
    const { side, columns, rows } = this.row;
    const [x0, y0] = pane.toPlane(0, 0).map((place) => Math.max(0, Math.floor(place / side)));
    const [x1, y1] = pane.toPlane(pane.width, pane.height).map((place) => Math.floor(place / side));
    for (let row = y0; row <= Math.min(y1, rows - 1); row += 1) {
      for (let column = x0; column <= Math.min(x1, columns - 1); column += 1) {
        const tile = this.wanted(column, row);
        if (!tile) continue;
        const [left, top] = pane.toScreen(column * side, row * side);
        const [right, bottom] = pane.toScreen(column * side + tile.width, row * side + tile.height);
        context.drawImage(tile, left, top, right - left, bottom - top);
      }
    }
  }

  /** The tile if it is there; else it is fetched. The ones not looked at for longest go. */
  wanted(column, row) {
    const name = `${column} ${row}`;
    const tile = this.kept.get(name);
    this.kept.delete(name);
    this.kept.set(name, tile ?? null);
    if (tile === undefined) {
      bitmap(this.path(column, row)).catch(() => null).then((found) => {
        if (this.kept.has(name)) this.kept.set(name, found);
        this.draw();
      });
      if (this.kept.size > MOST_KEPT) {
        const [oldest] = this.kept.keys();
        this.kept.get(oldest)?.close();
        this.kept.delete(oldest);
      }
    }
    return tile ?? null;
  }
}
