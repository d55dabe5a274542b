// An exercise: the learner marks what they see; then the truth, the machine's answer and the score.

import { drawMarker } from "./marks.js";
import { Pane } from "./pane.js";
import { bitmap, drawVisible, Raster } from "./rasters.js";
import { get, post, say, trying } from "./talk.js";

const NEAR = 12; // CSS px round a mark that mean it
const key = document.getElementById("case").dataset.key;
const here = `/c/${key}/exercise`;
const byId = (id) => document.getElementById(id);
const state = { view: 0, marks: [], cursor: null };
let data;
let pane;

trying(async () => {
  data = await get(`${here}/data`);
  state.marks = data.done ? data.done.views.map((view) => view.marks) : data.views.map(() => []);
  await open(0);
  pane = new Pane(byId("sheet"), bounds(), { paint, pick: mark });
  listen();
  if (data.done) tellScore();
  else tellCount();
  document.body.dataset.ready = "yes";
});

const bounds = () => [0, 0, data.views[state.view].width, data.views[state.view].height];

/** Load a picture and, when the marks are in, the truth and the machine's answer. */
async function open(number) {
  state.view = number;
  const view = data.views[number];
  view.bitmap ??= await bitmap(`/c/${key}/file/${view.picture}`);
  if (data.done && !view.truth) {
    const colors = data.kinds.map((kind, k) => k === 0 ? null : kind.color);
    const tint = async (path) => {
      const raster = new Raster(null, path);
      await raster.load();
      return (await raster.colored(colors)).tint;
    };
    [view.truth, view.machine] = await Promise.all(
      [tint(`${here}/truth/${number}`), tint(`/c/${key}/file/view-${number}.png`)]);
  }
}

function paint(context) {
  const view = data.views[state.view];
  const [x, y] = pane.toScreen(0, 0);
  const laid = [x, y, view.width * pane.scale, view.height * pane.scale];
  const put = (picture) => drawVisible(context, picture, laid, pane.width, pane.height);
  context.imageSmoothingEnabled = pane.scale < 3;
  if (view.bitmap) put(view.bitmap);
  if (data.done) {
    context.globalAlpha = 0.6;
    if (byId("truth").checked && view.truth) put(view.truth);
    if (byId("machine").checked && view.machine) put(view.machine);
    context.globalAlpha = 1;
    for (const { box } of data.done.views[state.view].learner.missed) frame(context, box);
  }
  if (!data.done || byId("marks").checked) {
    for (const [mx, my, kind] of state.marks[state.view]) {
      drawMarker(context, data.kinds[kind], ...pane.toScreen(mx, my), 16);
    }
  }
  if (state.cursor) cross(context, state.cursor);
}

/** A box round what was missed. */
function frame(context, [x0, y0, x1, y1]) {
  const [left, top] = pane.toScreen(x0, y0);
  const [right, bottom] = pane.toScreen(x1, y1);
  for (const [style, width] of [["#14181d", 5], ["#ffffff", 2]]) {
    context.strokeStyle = style;
    context.lineWidth = width;
    context.strokeRect(left - 6, top - 6, right - left + 12, bottom - top + 12);
  }
}

function cross(context, place) {
  const [x, y] = pane.toScreen(...place);
  for (const [style, width] of [["#14181d", 4], ["#ffffff", 1.6]]) {
    context.strokeStyle = style;
    context.lineWidth = width;
    context.beginPath();
    context.moveTo(x - 10, y);
    context.lineTo(x + 10, y);
    context.moveTo(x, y - 10);
    context.lineTo(x, y + 10);
    context.stroke();
  }
}

/** Mark a place, or take the mark there away. */
function mark(x, y) {
  if (data.done) return;
  const row = state.marks[state.view];
  const at = row.findIndex(([mx, my]) => Math.hypot(mx - x, my - y) * pane.scale < NEAR);
  if (at >= 0) row.splice(at, 1);
  else row.push([x, y, Number(document.querySelector("input[name=kind]:checked").value)]);
  tellCount();
  pane.draw();
}

function tellCount() {
  byId("count").textContent = state.marks.map((row, k) => `picture ${k + 1}: ${row.length}`).join(", ");
}

function tellScore() {
  byId("asking").hidden = true;
  byId("told").hidden = false;
  const sum = (who, name) => data.done.views.reduce((total, view) => total + view[who][name], 0);
  const [asked, found] = [sum("learner", "asked"), sum("learner", "found")];
  byId("score").textContent = `${found} of ${asked}`;
  byId("score-words").textContent =
    `deposits found in the four pictures, ${sum("learner", "kind_right")} of them named right, ${sum("learner", "false")} marks where nothing lies. `
    + `The machine found ${sum("machine", "found")} (${sum("machine", "kind_right")} named right) and ${sum("machine", "false")} where nothing lies.`;
  tellMissed();
}

function tellMissed() {
  if (!data.done) return;
  const { missed } = data.done.views[state.view].learner;
  const rows = missed.map(({ kind, box: [x0, y0, x1, y1] }) => {
    const [item, button] = [document.createElement("li"), document.createElement("button")];
    button.type = "button";
    button.className = "link";
    button.textContent = kind;
    button.addEventListener("click", () => pane.goTo([x0 - 40, y0 - 40, x1 + 40, y1 + 40], 1));
    item.append(button);
    return item;
  });
  if (rows.length === 0) {
    rows.push(document.createElement("li"));
    rows[0].textContent = "nothing";
  }
  byId("missed").replaceChildren(...rows);
}

function listen() {
  for (const button of document.querySelectorAll("button[data-view]")) {
    button.addEventListener("click", () => trying(async () => {
      await open(Number(button.dataset.view));
      for (const each of document.querySelectorAll("button[data-view]")) {
        each.setAttribute("aria-pressed", String(each === button));
      }
      state.cursor = null;
      byId("which").textContent = `Picture ${state.view + 1}`;
      pane.bounds = bounds();
      pane.fit();
      tellMissed();
    }));
  }
  byId("done").addEventListener("click", () => trying(async () => {
    byId("done").disabled = true;
    try {
      data.done = await post(`${here}/marks`, { marks: state.marks });
    } finally {
      byId("done").disabled = false;
    }
    await open(state.view);
    tellScore();
    pane.draw();
    say(`${byId("score").textContent} ${byId("score-words").textContent}`);
  }));
  for (const id of ["truth", "machine", "marks"]) byId(id).addEventListener("change", () => pane.draw());
  byId("near").addEventListener("click", () => pane.zoom(1.5));
  byId("far").addEventListener("click", () => pane.zoom(1 / 1.5));
  byId("whole").addEventListener("click", () => pane.fit());
  byId("sheet").addEventListener("keydown", keys, { capture: true });
}

/** Arrow keys move a cross, Enter marks there, so that nothing needs a pointer. */
function keys(event) {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const far = event.shiftKey ? 40 : 6;
  const moves = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] };
  if (event.key in moves) {
    const [dx, dy] = moves[event.key];
    const [x, y] = state.cursor ?? [pane.x, pane.y];
    state.cursor = [x + dx / pane.scale, y + dy / pane.scale];
    pane.draw();
  } else if (event.key === "Enter" && state.cursor) {
    mark(...state.cursor);
  } else {
    return;
  }
  event.preventDefault();
  event.stopImmediatePropagation();
}
