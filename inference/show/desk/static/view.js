// One picture of the connector, zoomable, with its deposits tinted and boxed.

import { drawText } from "./marks.js";
import { Pane } from "./pane.js";
import { drawVisible, Raster } from "./rasters.js";
import { Tiles } from "./tiles.js";

const MARGIN = 3; // of a deposit's box, shown round it
const LEAST_BOX_PX = 60;

export class View {
  /** `number`: of the view, from 0; `pick(id)` hears of a deposit clicked. */
  constructor(figure, number, data, shown, pick) {
    Object.assign(this, { figure, number, data, shown });
    this.row = data.views[number];
    const [width, height] = [this.row.width ?? 4, this.row.height ?? 3];
    this.boxes = [];
    for (const [id, rows] of Object.entries(data.sightings)) {
      for (const each of rows) if (each.view === number) this.boxes.push([Number(id), each.box]);
    }
    this.byId = new Map(this.boxes);
    this.kindOf = new Map(data.deposits.map((deposit) => [deposit.id, deposit.kind]));
    this.pane = new Pane(figure.querySelector("canvas"), [0, 0, width, height], {
      paint: (context) => this.paint(context),
      pick: (x, y) => pick(this.at(x, y)),
    });
  }

  async load(path) {
    if (this.row.tiles) {
      const tile = (column, row) => path(`tile-${this.number}-${column}-${row}.jpg`);
      this.tiles = new Tiles(this.row.tiles, tile, () => this.pane.draw());
    }
    this.raster = new Raster(path(this.row.picture), path(this.row.index));
    const { picture, small } = await this.raster.load();
    Object.assign(this, { picture, smallPicture: small });
    await this.recolor();
  }

  async recolor() {
    this.pane.draw();
    const colors = this.data.kinds.map((kind, k) =>
      k === 0 || this.shown.hidden.has(kind.name) ? null : kind.color);
    const { tint, small } = await this.raster.colored(colors);
    Object.assign(this, { tint, smallTint: small });
    this.pane.draw();
  }

  draw() {
    this.pane.draw();
  }

  /** Go to a deposit; where this picture does not show it, show the whole. */
  show(id) {
    const box = this.byId.get(id);
    // a result of the command line does not say where in its pictures anything lies
    const known = Object.keys(this.data.sightings).length > 0;
    this.figure.classList.toggle("without", known && id !== null && box === undefined);
    if (box === undefined) {
      this.pane.fit();
      return;
    }
    const [x0, y0, x1, y1] = box;
    const [x, y] = [(x0 + x1) / 2, (y0 + y1) / 2];
    const [w, h] = [Math.max(x1 - x0, LEAST_BOX_PX) / 2, Math.max(y1 - y0, LEAST_BOX_PX) / 2];
    this.pane.goTo([x - w, y - h, x + w, y + h], MARGIN);
  }

  paint(context) {
    const [x, y] = this.pane.toScreen(0, 0);
    const width = this.pane.bounds[2] * this.pane.scale;
    const height = this.pane.bounds[3] * this.pane.scale;
    const ratio = this.picture ? width / this.picture.width : 0;
    const small = ratio * this.pane.ratio < 0.35;
    context.imageSmoothingEnabled = ratio < 3;
    const picture = small ? this.smallPicture : this.picture;
    const laid = [x, y, width, height];
    if (picture) drawVisible(context, picture, laid, this.pane.width, this.pane.height);
    // nearer than the picture that is sent at once can show
    if (this.tiles && ratio * this.pane.ratio > 1) this.tiles.paint(context, this.pane);
    context.imageSmoothingEnabled = small;
    context.globalAlpha = this.shown.tint;
    const tint = small ? this.smallTint : this.tint;
    if (tint) drawVisible(context, tint, laid, this.pane.width, this.pane.height);
    context.globalAlpha = 1;
    const box = this.byId.get(this.shown.chosen);
    if (box && !this.shown.hidden.has(this.kindOf.get(this.shown.chosen))) this.frame(context, box);
  }

  /** Corners round the chosen deposit, and its number. */
  frame(context, [x0, y0, x1, y1]) {
    const [left, top] = this.pane.toScreen(x0, y0);
    const [right, bottom] = this.pane.toScreen(x1, y1);
    const gap = 6;
    const [l, t, r, b] = [left - gap, top - gap, right + gap, bottom + gap];
    const arm = Math.min(14, (r - l) / 2, (b - t) / 2);
    for (const [color, lineWidth] of [["#14181d", 5], ["#ffffff", 2]]) {
      context.strokeStyle = color;
      context.lineWidth = lineWidth;
      context.beginPath();
      for (const [x, dx] of [[l, arm], [r, -arm]]) {
        for (const [y, dy] of [[t, arm], [b, -arm]]) {
          context.moveTo(x + dx, y);
          context.lineTo(x, y);
          context.lineTo(x, y + dy);
        }
      }
      context.stroke();
    }
    drawText(context, `${this.shown.chosen}`, r + 5, t, {
      ink: "#ffffff", rim: "#14181d", align: "left", size: 14,
    });
  }

  /** The smallest deposit's box at a place, null for none. */
  at(x, y) {
    const slack = 4 / this.pane.scale;
    const inside = this.boxes.filter(([id, [x0, y0, x1, y1]]) =>
      !this.shown.hidden.has(this.kindOf.get(id))
      && x >= x0 - slack && x <= x1 + slack && y >= y0 - slack && y <= y1 + slack);
    const area = ([, [x0, y0, x1, y1]]) => (x1 - x0) * (y1 - y0);
    inside.sort((a, b) => area(a) - area(b));
    return inside.length ? inside[0][0] : null;
  }
}
