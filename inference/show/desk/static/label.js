// Labelling one picture: what the person says over what the net says, each stroke kept at once.

import { joined, Mask, NOT_ANNOTATED, undone } from "./paint.js";
import { Pane } from "./pane.js";
import { BAND, bitmap, drawVisible, indexOf } from "./rasters.js";
import { get, post, say, trying } from "./talk.js";
import { Tiles } from "./tiles.js";

const root = document.getElementById("case");
const here = location.pathname;
const waitingName = `strokes ${here}`;
const SURFACE_COLORS = ["#000000", "#56B4E9", "#0072B2", "#E69F00", "#CC79A7", "#009E73", "#F0E442"];
const MORE = 1500; // ms until a stroke that could not be sent is sent again

const state = { plane: "deposits", tool: "brush", strokes: [], points: [], cursor: null };
let masks;
let layers;
let picture;
let tiles = null; // of a picture that is sent smaller than it is
let pane;
let colors;
let sent = 0;

const radius = document.getElementById("radius");
const chosenValue = () => Number(document.querySelector(`input[name=${state.plane}]:checked`).value);

trying(async () => {
  const data = await get(`${here}/strokes`);
  const path = (name) => name === null ? null : `/c/${root.dataset.key}/file/${name}`;
  const [shown, deposits, surfaces] = await Promise.all(
    [bitmap(path(data.picture)), indexOf(path(data.net.deposits)), indexOf(path(data.net.surfaces))]);
  picture = shown;
  if (data.tiles) {
    const tile = (column, row) => path(`tile-${root.dataset.index}-${column}-${row}.jpg`);
    tiles = new Tiles(data.tiles, tile, () => pane.draw());
  }
  const { width, height } = data;
  colors = { deposits: data.kinds.map((kind) => kind.color), surfaces: SURFACE_COLORS };
  masks = {
    deposits: new Mask(width, height, deposits.index),
    surfaces: new Mask(width, height, surfaces.index),
  };
  sent = data.strokes.length;
  state.strokes = [...data.strokes, ...waiting(data.strokes.length)];
  layers = {};
  for (const plane of Object.keys(masks)) {
    layers[plane] = new OffscreenCanvas(width, height);
    repaint(plane, [0, 0, width, height]);
  }
  pane = new Pane(document.getElementById("sheet"), [0, 0, width, height], { paint });
  listen();
  tell();
  send();
  document.body.dataset.ready = "yes";
});

// -- strokes kept --------------------------------------------------------------------------------

/** Strokes of an earlier page that the desk never answered for. */
function waiting(known) {
  const kept = JSON.parse(localStorage.getItem(waitingName) ?? "null");
  return kept === null || kept.from > known ? [] : kept.strokes.slice(known - kept.from);
}

function keep(stroke) {
  state.strokes.push(stroke);
  localStorage.setItem(waitingName, JSON.stringify({ from: sent, strokes: state.strokes.slice(sent) }));
  send();
  tell();
}

let sending = false;
async function send() {
  if (sending) return;
  sending = true;
  while (sent < state.strokes.length) {
    let failed = false;
    await trying(async () => {
      failed = true;
      await post(`${here}/strokes`, { number: sent, stroke: state.strokes[sent] });
      sent += 1;
      failed = false;
    });
    if (failed) await new Promise((again) => setTimeout(again, MORE));
  }
  localStorage.removeItem(waitingName);
  sending = false;
  tell();
}

/** Paint a plane's mask anew from its strokes; only `box` of what is seen can differ. */
function repaint(plane, box) {
  const mask = masks[plane];
  mask.data.fill(NOT_ANNOTATED);
  for (const stroke of undone(state.strokes)) if (stroke.plane === plane) mask.paint(stroke);
  color(plane, box);
  pane?.draw();
}

/** Colour the part of a plane's layer that a stroke touched. */
function color(plane, box) {
  if (box === null) return;
  for (let top = box[1]; top < box[3]; top += BAND) {
    colorRows(plane, [box[0], top, box[2], Math.min(top + BAND, box[3])]);
  }
}

function colorRows(plane, [left, top, right, bottom]) {
  const mask = masks[plane];
  const pixels = new ImageData(right - left, bottom - top);
  const out = new Uint32Array(pixels.data.buffer);
  const table = tables(plane);
  for (let y = top, i = 0; y < bottom; y += 1) {
    for (let at = y * mask.width + left; at < y * mask.width + right; at += 1, i += 1) {
      out[i] = mask.data[at] === NOT_ANNOTATED ? table.net[mask.net[at]] : table.own[mask.data[at]];
    }
  }
  layers[plane].getContext("2d").putImageData(pixels, left, top);
}

/** Pixels of a label: the person's strong, the net's faint; "clean" shows only where a person said so. */
function tables(plane) {
  const packed = (text, alpha) => {
    const [r, g, b] = [1, 3, 5].map((at) => parseInt(text.slice(at, at + 2), 16));
    return ((alpha << 24) | (b << 16) | (g << 8) | r) >>> 0;
  };
  const own = colors[plane].map((text, k) => k === 0 ? packed("#ffffff", 90) : packed(text, 170));
  const net = colors[plane].map((text, k) => k === 0 ? 0 : packed(text, 70));
  return { own, net };
}

// -- drawing -------------------------------------------------------------------------------------

function paint(context) {
  const [x, y] = pane.toScreen(0, 0);
  const { width, height } = masks.deposits;
  const laid = [x, y, width * pane.scale, height * pane.scale];
  context.imageSmoothingEnabled = pane.scale < 3;
  if (picture) drawVisible(context, picture, laid, pane.width, pane.height);
  if (picture && tiles && pane.scale * pane.ratio * (width / picture.width) > 1) tiles.paint(context, pane);
  context.imageSmoothingEnabled = false;
  if (document.getElementById("tinted").checked) {
    drawVisible(context, layers[state.plane], laid, pane.width, pane.height);
  }
  if (state.points.length > 0) line(context, state.points, state.tool === "polygon");
  if (state.cursor) cross(context, state.cursor);
}

function line(context, points, dots) {
  for (const [style, width] of [["#14181d", 4], ["#ffffff", 1.6]]) {
    context.strokeStyle = style;
    context.lineWidth = width;
    context.beginPath();
    for (const point of points) context.lineTo(...pane.toScreen(...point));
    if (dots) context.stroke();
    if (!dots) continue;
    for (const point of points) {
      const [x, y] = pane.toScreen(...point);
      context.strokeRect(x - 3, y - 3, 6, 6);
    }
  }
}

function cross(context, place) {
  const [x, y] = pane.toScreen(...place);
  const size = state.tool === "brush" || state.tool === "eraser" ? Math.max(3, Number(radius.value) * pane.scale) : 6;
  for (const [style, width] of [["#14181d", 4], ["#ffffff", 1.6]]) {
    context.strokeStyle = style;
    context.lineWidth = width;
    context.beginPath();
    context.arc(x, y, size, 0, 2 * Math.PI);
    context.moveTo(x - size - 5, y);
    context.lineTo(x + size + 5, y);
    context.moveTo(x, y - size - 5);
    context.lineTo(x, y + size + 5);
    context.stroke();
  }
}

// -- tools ---------------------------------------------------------------------------------------

const rounded = (place) => place.map((value) => Math.round(value * 100) / 100);

function listen() {
  const sheet = document.getElementById("sheet");
  // with another button the picture moves, as in the pane itself
  sheet.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || state.tool === "move") return;
    event.stopImmediatePropagation();
    sheet.setPointerCapture(event.pointerId);
    begin(rounded(pane.toPlane(event.offsetX, event.offsetY)));
  }, { capture: true });
  sheet.addEventListener("pointermove", (event) => {
    if (!state.painting) return;
    const between = event.getCoalescedEvents?.() ?? [];
    for (const each of between.length > 0 ? between : [event]) {
      draw(rounded(pane.toPlane(each.offsetX, each.offsetY)));
    }
  });
  for (const name of ["pointerup", "pointercancel"]) sheet.addEventListener(name, () => end());
  sheet.addEventListener("dblclick", (event) => {
    if (state.tool !== "move") event.stopImmediatePropagation();
  }, { capture: true });
  sheet.addEventListener("keydown", keys, { capture: true });
}

function value() {
  return state.tool === "eraser" ? NOT_ANNOTATED : chosenValue();
}

function begin(place) {
  if (state.tool === "brush" || state.tool === "eraser") {
    state.painting = { tool: "brush", plane: state.plane, value: value(), radius: Number(radius.value), points: [] };
    draw(place);
  } else if (state.tool === "polygon") {
    const [first] = state.points;
    const near = first && Math.hypot(first[0] - place[0], first[1] - place[1]) * pane.scale < 8;
    if (near && state.points.length > 2) closePolygon();
    else state.points.push(place);
    pane.draw();
  } else if (state.tool === "flood") {
    done({ tool: "flood", plane: state.plane, value: value(), points: [place] });
  }
}

function draw(place) {
  const { points, radius: wide, value: index } = state.painting;
  const last = points.at(-1) ?? place;
  points.push(place);
  const box = masks[state.plane].segment(last, place, wide, index);
  color(state.plane, box);
  pane.draw();
}

function end() {
  const stroke = state.painting;
  state.painting = null;
  if (stroke) keep(stroke);
}

function closePolygon() {
  if (state.points.length > 2) done({ tool: "polygon", plane: state.plane, value: value(), points: state.points });
  state.points = [];
  pane.draw();
}

function done(stroke) {
  color(stroke.plane, joined(null, masks[stroke.plane].paint(stroke)));
  keep(stroke);
  pane.draw();
}

function undo() {
  if (state.points.length > 0) {
    state.points.pop();
    pane.draw();
    return;
  }
  const last = undone(state.strokes).findLast((stroke) => stroke.plane === state.plane);
  if (last === undefined) return;
  const box = masks[state.plane].paint(last);
  keep({ tool: "undo", plane: state.plane });
  repaint(state.plane, box);
  say("Undone");
}

/** Arrow keys move a cross, Enter uses the tool there, so that nothing needs a pointer. */
function keys(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const far = event.shiftKey ? 20 : 2;
  const moves = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] };
  if (state.tool !== "move" && event.key in moves) {
    const [dx, dy] = moves[event.key];
    const [x, y] = state.cursor ?? [pane.x, pane.y];
    state.cursor = [x + dx / pane.scale, y + dy / pane.scale];
    const [px, py] = pane.toScreen(...state.cursor);
    if (px < 20 || py < 20 || px > pane.width - 20 || py > pane.height - 20) pane.move(-dx * 8, -dy * 8);
    pane.draw();
  } else if (state.tool !== "move" && event.key === "Enter" && state.cursor) {
    begin(rounded(state.cursor));
    end();
  } else {
    return;
  }
  event.preventDefault();
  event.stopImmediatePropagation();
}

// -- the panel -----------------------------------------------------------------------------------

function tell() {
  const left = state.strokes.length - sent;
  const held = undone(state.strokes).length;
  document.getElementById("kept").textContent =
    `${held} strokes hold, ${left === 0 ? "all kept" : `${left} still to be kept`}`;
}

for (const button of document.querySelectorAll("button[data-tool]")) {
  button.addEventListener("click", () => {
    state.tool = button.dataset.tool;
    state.points = [];
    for (const each of document.querySelectorAll("button[data-tool]")) {
      each.setAttribute("aria-pressed", String(each === button));
    }
    pane?.draw();
  });
}
for (const input of document.querySelectorAll("input[name=plane]")) {
  input.addEventListener("change", () => {
    state.plane = input.value;
    state.points = [];
    for (const set of document.querySelectorAll("fieldset[data-plane]")) set.hidden = set.dataset.plane !== input.value;
    pane?.draw();
  });
}
const accept = (value) => done({ tool: "accept", plane: state.plane, value });
document.getElementById("accept-one").addEventListener("click", () => accept(chosenValue()));
document.getElementById("accept-all").addEventListener("click", () => accept(null));
document.getElementById("close").addEventListener("click", closePolygon);
document.getElementById("undo").addEventListener("click", undo);
document.getElementById("whole").addEventListener("click", () => pane?.fit());
document.getElementById("near").addEventListener("click", () => pane?.zoom(1.5));
document.getElementById("far").addEventListener("click", () => pane?.zoom(1 / 1.5));
document.getElementById("tinted").addEventListener("change", () => pane?.draw());
radius.addEventListener("input", () => {
  document.getElementById("radius-words").textContent = `${radius.value} px`;
  pane?.draw();
});
document.addEventListener("keydown", (event) => {
  if ((event.ctrlKey || event.metaKey) && event.key === "z") {
    event.preventDefault();
    undo();
  }
});
