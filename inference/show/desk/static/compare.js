// Before and after: two travel maps faded into each other, with what became of each deposit.

import { drawMarker, drawText } from "./marks.js";
import { layersOf, placeOf, TravelMap } from "./map.js";
import { get, say, trying } from "./talk.js";

const root = document.getElementById("case");
const shown = { hidden: new Set(), tint: 0.35, unseen: true, zone: false, chosen: null };
const buttons = [...document.querySelectorAll("#pairs .pick")];

class MovesMap extends TravelMap {
  async load() {
    const { before, after } = this.data;
    const path = (side) => (name) => `/c/${side.key}/file/${name}?v=${encodeURIComponent(root.dataset.version)}`;
    [this.before, this.after] = await Promise.all(
      [before, after].map((side) => layersOf(side.maps, path(side))));
    this.layers = [...this.before, ...this.after];
    await this.recolor();
  }

  front() {
    const half = this.before?.[1]?.half ?? 2000;
    this.pane.goTo([-half, -half, half, half], 0);
  }

  paint(context) {
    context.fillStyle = this.theme?.ground ?? "#888888";
    context.fillRect(0, 0, this.pane.width, this.pane.height);
    if (!this.theme) return;
    for (const layer of this.before ?? []) this.paintLayer(context, layer);
    context.globalAlpha = shown.fade;
    for (const layer of this.after ?? []) this.paintLayer(context, layer, this.data.turn_deg);
    context.globalAlpha = 1;
    this.paintSurfaces(context);
    this.paintDistances(context);
    this.paintZone(context);
    this.data.pairs.forEach((pair, number) => this.paintPair(context, pair, number));
  }

  /** Where a pair's deposit was and is, um in the map's plane; null where it has no place. */
  ends(pair) {
    const at = (s, theta) => s === null || theta === null ? null : placeOf(s, theta);
    const turned = pair.after_theta_deg === null ? null : pair.after_theta_deg + this.data.turn_deg;
    return [at(pair.before_s_um, pair.before_theta_deg), at(pair.after_s_um, turned)];
  }

  /** The same in CSS px. */
  places(pair) {
    return this.ends(pair).map((end) => end && this.pane.toScreen(...end));
  }

  /** Go to both ends of a move, and the fibre. */
  showMove(pair) {
    const ends = [[0, 0], ...this.ends(pair).filter((end) => end !== null)];
    const [xs, ys] = [0, 1].map((k) => ends.map((end) => end[k]));
    const middle = [xs, ys].map((all) => (Math.min(...all) + Math.max(...all)) / 2);
    const half = Math.max(400, ...[xs, ys].map((all) => (Math.max(...all) - Math.min(...all)) / 2));
    const [x, y] = middle;
    this.pane.goTo([x - half, y - half, x + half, y + half], 0.3);
  }

  paintPair(context, pair, number) {
    const kind = this.kinds.get(pair.kind);
    const [was, is] = this.places(pair);
    const place = is ?? was;
    if (place === null) return;
    const faint = pair.fate === "gone" || pair.fate === null;
    if (pair.fate === "moved" && was && is) this.arrow(context, was, is);
    context.globalAlpha = faint ? 0.55 : 1;
    drawMarker(context, kind, ...place, 14);
    context.globalAlpha = 1;
    const [x, y] = place;
    const style = { ink: this.theme.ink, rim: this.theme.ground, align: "left", size: 11 };
    if (pair.fate === "gone") this.stroke(context, [[x - 10, y + 10], [x + 10, y - 10]]);
    if (pair.fate === "new") drawText(context, "new", x + 10, y - 9, style);
    if (pair.fate === null) drawText(context, "?", x + 10, y - 9, style);
    if (number === shown.chosen) {
      context.beginPath();
      context.arc(x, y, 16, 0, 2 * Math.PI);
      context.strokeStyle = this.theme.accent;
      context.lineWidth = 3;
      context.stroke();
    }
  }

  arrow(context, [x0, y0], [x1, y1]) {
    const angle = Math.atan2(y1 - y0, x1 - x0);
    const tip = [x1 - 9 * Math.cos(angle), y1 - 9 * Math.sin(angle)];
    const wing = (turn) => [tip[0] - 9 * Math.cos(angle + turn), tip[1] - 9 * Math.sin(angle + turn)];
    this.stroke(context, [[x0, y0], tip]);
    this.stroke(context, [wing(0.5), tip, wing(-0.5)]);
  }

  stroke(context, points) {
    for (const [color, width] of [[this.theme.rim, 5], [this.theme.ink, 2.2]]) {
      context.beginPath();
      for (const point of points) context.lineTo(...point);
      context.strokeStyle = color;
      context.lineWidth = width;
      context.stroke();
    }
  }

  pickAt(x, y, pick) {
    const [px, py] = this.pane.toScreen(x, y);
    let [best, nearest] = [null, 16];
    this.data.pairs.forEach((pair, number) => {
      for (const place of this.places(pair)) {
        if (place === null) continue;
        const away = Math.hypot(place[0] - px, place[1] - py);
        if (away < nearest) [best, nearest] = [number, away];
      }
    });
    pick(best);
  }
}

let map;
const fade = document.getElementById("fade");
shown.fade = Number(fade.value) / 100;

trying(async () => {
  if (document.getElementById("map") === null) return;
  const data = await get(`${location.pathname}/data`);
  const far = data.pairs.flatMap((pair) => [pair.before_s_um ?? 0, pair.after_s_um ?? 0]);
  const deposits = far.map((s) => ({ s_um: s, theta_deg: null, kind: "", id: -1 }));
  const flat = { ...data, maps: data.before.maps, deposits };
  map = new MovesMap(document.getElementById("map"), flat, shown, choose);
  await map.load();
  document.body.dataset.ready = "yes";
});

function choose(number) {
  shown.chosen = number;
  for (const button of buttons) {
    const on = Number(button.dataset.pair) === number;
    button.setAttribute("aria-pressed", String(on));
    button.closest("tr").classList.toggle("chosen", on);
    if (on) button.scrollIntoView({ block: "nearest" });
  }
  const pair = map?.data.pairs[number];
  if (pair) {
    map.showMove(pair);
    say(buttons.find((button) => Number(button.dataset.pair) === number).getAttribute("aria-label"));
  }
  map?.draw();
}

for (const button of buttons) {
  button.addEventListener("click", () => {
    const number = Number(button.dataset.pair);
    choose(shown.chosen === number ? null : number);
  });
}
fade.addEventListener("input", () => { shown.fade = Number(fade.value) / 100; map?.draw(); });
const unseen = document.getElementById("unseen");
unseen.addEventListener("change", () => { shown.unseen = unseen.checked; map?.draw(); });
document.getElementById("map-in").addEventListener("click", () => map?.pane.zoom(1.5));
document.getElementById("map-out").addEventListener("click", () => map?.pane.zoom(1 / 1.5));
document.getElementById("map-fit").addEventListener("click", () => map?.pane.fit());
document.getElementById("map-front").addEventListener("click", () => map?.front());
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => map?.recolor());
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") choose(null);
});
