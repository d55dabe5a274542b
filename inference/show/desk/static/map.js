// The travel map: the connector's surface laid flat about the fibre, zoomable.
//
// The plane's units are micrometres of travel distance, the fibre at (0, 0), theta 0 to the right and
// 90 up, as seen from the front.

import { drawMarker, drawText } from "./marks.js";
import { Pane } from "./pane.js";
import { Raster } from "./rasters.js";

const ROUND = 2 * Math.PI;
const GRADED_UM = 125;
const UNSEEN = 7; // in the index pictures, beside the kinds
const STEPS_UM = [250, 500, 1000, 2000, 5000];
const LEAST_APART = 26; // CSS px between distance lines
const RAY_DEG = 118; // where distances are written
const NAMES_DEG = 62;
const CLEAR_DEG = 24; // of the picture to take next
const ASIDE_DEG = 34;
const STRAIGHT_DEG = 10; // tilted no more is from the front
const MOST_NUMBERS = 40;
const MOST_SCALE = 3; // CSS px per um
const LEAST_HALF_UM = 400; // a chosen deposit is shown with at least so much round it

export class TravelMap {
  /** `data`: of the case; `shown`: what is switched on; `pick(id)` hears of a deposit clicked. */
  constructor(canvas, data, shown, pick) {
    Object.assign(this, { canvas, data, shown });
    this.layers = [];
    this.kinds = new Map(data.kinds.map((kind) => [kind.name, kind]));
    const reach = this.reach();
    this.pane = new Pane(canvas, [-reach, -reach, reach, reach], {
      mostScale: MOST_SCALE,
      paint: (context) => this.paint(context),
      pick: (x, y) => this.pickAt(x, y, pick),
    });
  }

  /** How far the map goes, um. */
  reach() {
    const [whole] = this.data.maps;
    if (whole) return (whole.um_per_px * whole.side_px) / 2;
    const ends = Object.values(this.data.ends).flat();
    const far = this.data.deposits.map((deposit) => deposit.s_um ?? 0);
    return Math.max(1000, ...ends, ...far.map((s) => 1.05 * s));
  }

  async load(path) {
    this.layers = await layersOf(this.data.maps, path);
    await this.recolor();
  }

  /** After the kinds that are shown, or light and dark, have changed. */
  async recolor() {
    this.theme = themeOf(this.canvas);
    this.pane.draw();
    const colors = this.data.kinds.map((kind, k) =>
      k === 0 || this.shown.hidden.has(kind.name) ? null : kind.color);
    const hatch = { index: UNSEEN, line: this.theme.line, plain: this.theme.nothing };
    await Promise.all(this.layers.map(async (layer) => {
      const { tint, hatched } = await layer.raster.colored(colors, hatch);
      Object.assign(layer, { tint, unseen: hatched });
    }));
    this.pane.draw();
  }

  draw() {
    this.pane.draw();
  }

  /** Go to the front: fibre, endface and chamfer. */
  front() {
    const front = this.layers[1]?.half ?? 1.15 * Math.max(...(this.data.ends.chamfer ?? [2000]));
    this.pane.goTo([-front, -front, front, front], 0);
  }

  /** Go to a deposit and its way to the fibre, unless both are large in view already. */
  show(deposit) {
    if (deposit.s_um === null) return;
    const [x, y] = deposit.theta_deg === null ? [0, 0] : placeOf(deposit.s_um, deposit.theta_deg);
    const { width, height, scale } = this.pane;
    const inView = [[x, y], [0, 0]].map((place) => this.pane.toScreen(...place))
      .every(([px, py]) => px > 20 && py > 20 && px < width - 20 && py < height - 20);
    if (inView && deposit.s_um * scale > 0.2 * Math.min(width, height)) return;
    const half = Math.max(0.75 * deposit.s_um, LEAST_HALF_UM);
    this.pane.goTo([x / 2 - half, y / 2 - half, x / 2 + half, y / 2 + half], 0);
  }

  paint(context) {
    this.theme ??= themeOf(this.canvas);
    context.fillStyle = this.theme.ground;
    context.fillRect(0, 0, this.pane.width, this.pane.height);
    const placed = Object.keys(this.data.ends).length > 0;
    if (placed || this.visible().length > 0) this.paintAll(context); // an empty map would look clean
    if (this.data.maps.length === 0) this.paintNothingSeen(context, placed);
  }

  paintAll(context) {
    for (const layer of this.layers) this.paintLayer(context, layer);
    this.paintSurfaces(context);
    this.paintDistances(context);
    if (this.shown.zone) this.paintVeil(context);
    this.paintZone(context);
    if (this.data.next) this.paintNext(context, this.data.next);
    const visible = this.visible();
    const within = visible.filter((deposit) => this.inView(deposit));
    const stops = within.filter((deposit) => deposit.stops);
    // numbers where they can be read
    const numbered = new Set(within.length <= MOST_NUMBERS ? within
      : stops.length <= MOST_NUMBERS ? stops : []);
    for (const deposit of visible) this.paintDeposit(context, deposit, numbered.has(deposit));
    const chosen = visible.find((each) => each.id === this.shown.chosen);
    if (chosen) this.paintChosen(context, chosen);
  }

  /** Without rasters nothing is hatched, which must not look as if all was seen. */
  paintNothingSeen(context, placed) {
    const words = placed ? "What was seen is not drawn here; the report shows it."
      : "Nothing is known of this connector: no picture could be placed.";
    drawText(context, words, this.pane.width / 2, this.pane.height - 22, {
      ink: this.theme.ink, rim: this.theme.ground, size: 14,
    });
  }

  /** `turnDeg`: turned counter-clockwise by so much. */
  paintLayer(context, layer, turnDeg = 0) {
    const side = 2 * layer.half * this.pane.scale;
    const [x, y] = [-side / 2, -side / 2];
    context.save();
    context.translate(...this.pane.toScreen(0, 0));
    context.rotate((-turnDeg * Math.PI) / 180);
    context.beginPath();
    context.arc(0, 0, side / 2, 0, ROUND);
    context.clip();
    context.imageSmoothingEnabled = true;
    if (layer.picture) context.drawImage(layer.picture, x, y, side, side);
    context.imageSmoothingEnabled = false;
    if (layer.unseen && this.shown.unseen) context.drawImage(layer.unseen, x, y, side, side);
    context.globalAlpha *= this.shown.tint;
    if (layer.tint) context.drawImage(layer.tint, x, y, side, side);
    context.restore();
  }

  /** Where words stand, deg: moved by `aside` where the picture to take next is drawn. */
  clear(deg, aside) {
    const { next } = this.data;
    if (!next || next.tilt_deg <= STRAIGHT_DEG) return deg;
    const apart = Math.abs(((((next.turn_deg - deg) % 360) + 540) % 360) - 180);
    return apart < CLEAR_DEG ? deg + aside : deg;
  }

  paintDistances(context) {
    const step = STEPS_UM.find((um) => um * this.pane.scale >= LEAST_APART) ?? STEPS_UM.at(-1);
    const reach = this.reach();
    const every = Math.max(1, Math.ceil(44 / (step * this.pane.scale)));
    for (let n = 1; n * step <= reach; n += 1) {
      this.ring(context, n * step, { color: this.theme.distance, width: 1 });
      if (n % every !== 0) continue;
      const words = n * step < 1000 ? `${n * step} um` : `${(n * step) / 1000} mm`;
      const [x, y] = this.pane.toScreen(...placeOf(n * step, this.clear(RAY_DEG, ASIDE_DEG)));
      drawText(context, words, x, y, { ink: this.theme.muted, rim: this.theme.ground, size: 11 });
    }
  }

  paintSurfaces(context) {
    let before = 0;
    const along = this.clear(NAMES_DEG, -ASIDE_DEG);
    for (const [name, ends] of Object.entries(this.data.ends)) {
      const turn = 360 / ends.length;
      context.beginPath();
      ends.forEach((s, k) => context.lineTo(...this.pane.toScreen(...placeOf(s, k * turn))));
      context.closePath();
      context.strokeStyle = this.theme.rim;
      context.lineWidth = 3.5;
      context.stroke();
      context.strokeStyle = this.theme.ink;
      context.lineWidth = 1.3;
      context.stroke();
      const end = ends[Math.round(along / turn)];
      const middle = (before + end) / 2;
      if ((end - before) * this.pane.scale > 16) {
        const [x, y] = this.pane.toScreen(...placeOf(middle, along));
        drawText(context, name, x, y, { ink: this.theme.ink, rim: this.theme.ground, size: 12 });
      }
      before = end;
    }
  }

  paintZone(context) {
    this.ring(context, GRADED_UM, { color: this.theme.rim, width: 3 });
    this.ring(context, GRADED_UM, { color: this.theme.ink, width: 1.3, dash: [4, 4] });
  }

  /** All that a zone grade does not look at is covered. */
  paintVeil(context) {
    const [x, y] = this.pane.toScreen(0, 0);
    context.beginPath();
    context.rect(0, 0, this.pane.width, this.pane.height);
    context.moveTo(x + GRADED_UM * this.pane.scale, y);
    context.arc(x, y, GRADED_UM * this.pane.scale, 0, ROUND);
    context.globalAlpha = 0.88;
    context.fillStyle = this.theme.ground;
    context.fill("evenodd");
    context.globalAlpha = 1;
    const outside = this.data.deposits.filter((deposit) => deposit.off_zone).length;
    const words = [
      "A zone grade looks at the small dashed disc only.",
      `${outside} of ${this.data.deposits.length} deposits lie outside it.`,
    ];
    words.forEach((line, k) => drawText(context, line, this.pane.width / 2, 22 + 20 * k, {
      ink: this.theme.ink, rim: this.theme.ground, size: 14,
    }));
  }

  /** From which side the picture is taken that would add most: an eye at the map's edge. */
  paintNext(context, { tilt_deg: tilt, turn_deg: turn }) {
    if (tilt <= STRAIGHT_DEG) return; // straight from the front has no side
    const [x, y] = this.pane.toScreen(...placeOf(0.94 * this.reach(), turn));
    context.save();
    context.translate(x, y);
    context.rotate(((90 - turn) * Math.PI) / 180);
    const eye = new Path2D("M-10-14h20v11h-20ZM-4-3h8v5h-8Z");
    for (const [color, width] of [[this.theme.rim, 6], [this.theme.accent, 2.5]]) {
      context.strokeStyle = color;
      context.lineWidth = width;
      context.stroke(eye);
    }
    context.fillStyle = this.theme.ground;
    context.fill(eye);
    context.restore();
    const inwards = placeOf(0.76 * this.reach(), turn);
    drawText(context, "next picture", ...this.pane.toScreen(...inwards), {
      ink: this.theme.accent, rim: this.theme.ground, size: 12,
    });
  }

  ring(context, um, { color, width, dash = [] }) {
    const [x, y] = this.pane.toScreen(0, 0);
    context.beginPath();
    context.setLineDash(dash);
    context.arc(x, y, um * this.pane.scale, 0, ROUND);
    context.strokeStyle = color;
    context.lineWidth = width;
    context.stroke();
    context.setLineDash([]);
  }

  visible() {
    return this.data.deposits.filter((each) =>
      !this.shown.hidden.has(each.kind) && each.s_um !== null);
  }

  inView({ s_um: s, theta_deg: theta }) {
    if (theta === null) return false;
    const [x, y] = this.pane.toScreen(...placeOf(s, theta));
    return x > 0 && y > 0 && x < this.pane.width && y < this.pane.height;
  }

  paintDeposit(context, deposit, numbered) {
    const kind = this.kinds.get(deposit.kind);
    if (deposit.theta_deg === null) {
      this.ring(context, deposit.s_um, { color: kind.color, width: 2.5, dash: [10, 5] });
      return;
    }
    const [x, y] = this.pane.toScreen(...placeOf(deposit.s_um, deposit.theta_deg));
    if (this.shown.zone && deposit.off_zone) context.globalAlpha = 0.35;
    drawMarker(context, kind, x, y, deposit.stops ? 17 : 12);
    const chosen = deposit.id === this.shown.chosen;
    if (numbered || chosen) {
      const words = `${deposit.id}${deposit.unsure ? "?" : ""}`;
      const [right, up] = chosen ? [18, 14] : [11, 9]; // outside of the ring
      drawText(context, words, x + right, y - up, {
        ink: this.theme.ink, rim: this.theme.ground, align: "left", size: 11,
      });
    }
    context.globalAlpha = 1;
  }

  paintChosen(context, deposit) {
    if (deposit.theta_deg === null) {
      this.ring(context, deposit.s_um, { color: this.theme.ink, width: 1.5 });
      return;
    }
    const [x, y] = this.pane.toScreen(...placeOf(deposit.s_um, deposit.theta_deg));
    const [cx, cy] = this.pane.toScreen(0, 0);
    for (const [color, width] of [[this.theme.rim, 4.5], [this.theme.accent, 2]]) {
      context.strokeStyle = color;
      context.lineWidth = width;
      context.beginPath();
      context.arc(x, y, 16, 0, ROUND);
      const far = Math.hypot(cx - x, cy - y);
      if (far > 24) {
        // its way to the fibre
        context.moveTo(x + ((cx - x) / far) * 16, y + ((cy - y) / far) * 16);
        context.lineTo(cx, cy);
      }
      context.stroke();
    }
    drawMarker(context, this.kinds.get(deposit.kind), x, y, 17);
  }

  pickAt(x, y, pick) {
    const reach = 16 / this.pane.scale;
    let best = null;
    let nearest = reach;
    for (const deposit of this.visible()) {
      if (deposit.theta_deg === null) continue;
      const [dx, dy] = placeOf(deposit.s_um, deposit.theta_deg);
      const away = Math.hypot(dx - x, dy - y);
      if (away <= nearest) [best, nearest] = [deposit, away];
    }
    pick(best === null ? null : best.id);
  }
}

/** The plane's place of a place on the surface. */
export function placeOf(sUm, thetaDeg) {
  const theta = (thetaDeg * Math.PI) / 180;
  return [sUm * Math.cos(theta), -sUm * Math.sin(theta)];
}

/** The rasters of a case's maps. */
export function layersOf(maps, path) {
  return Promise.all(maps.map(async (map) => {
    const raster = new Raster(path(map.file), path(map.index));
    const { picture } = await raster.load();
    return { raster, picture, half: (map.um_per_px * map.side_px) / 2 };
  }));
}

/** The style sheet's colours, for what is drawn. */
function themeOf(element) {
  const style = getComputedStyle(element);
  const names = ["ground", "nothing", "line", "rim", "ink", "muted", "accent", "distance"];
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}
