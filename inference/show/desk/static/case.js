// A result: the map in the middle, the pictures, the list; one deposit chosen in all of them.

import { TravelMap } from "./map.js";
import { get, getPart, post, say, trying } from "./talk.js";
import { View } from "./view.js";

const root = document.getElementById("case");
const key = root.dataset.key;
const version = root.dataset.version;
const fileOf = (name) => name === null ? null : `/c/${key}/file/${name}?v=${encodeURIComponent(version)}`;
const table = document.querySelector("#deposits tbody");
const FRAMES_TO_SETTLE = 8;
let rows = [];
let rowOf = new Map();
const shown = { hidden: new Set(), tint: 0.5, unseen: true, zone: false, chosen: null };

let map;
let views = [];
let chosenRow = null;
let deposits = new Map();

trying(async () => {
  const data = await get(`/c/${key}/data?v=${encodeURIComponent(version)}`);
  deposits = new Map(data.deposits.map((deposit) => [deposit.id, deposit]));
  map = new TravelMap(document.getElementById("map"), data, shown, choose);
  views = [...document.querySelectorAll("figure.view")]
    .map((figure, k) => new View(figure, k, data, shown, choose));
  const drawn = [map.load(fileOf), ...views.map((view) => view.load(fileOf))];
  await restOfRows();
  await Promise.all(drawn);
  document.body.dataset.ready = "yes";
});

// -- one deposit ---------------------------------------------------------------------------------

const chosenPart = document.getElementById("chosen");

/** Choose a deposit (null: none) in the list, the map and every picture. */
function choose(id) {
  shown.chosen = id;
  mark(chosenRow, false);
  chosenRow = rowOf.get(id) ?? null;
  mark(chosenRow, true);
  for (const view of views) view.show(id);
  const deposit = deposits.get(id);
  if (deposit) map.show(deposit);
  map?.draw();
  trying(() => explain(id));
}

function mark(row, on) {
  if (row === null) return;
  row.classList.toggle("chosen", on);
  row.querySelector("button").setAttribute("aria-pressed", String(on));
  if (on) bringIntoView(row, FRAMES_TO_SETTLE);
}

/** After the pictures are drawn; again where rows that came into sight were not as high as thought. */
function bringIntoView(row, frames) {
  if (frames === 0 || row !== chosenRow) return;
  requestAnimationFrame(() => {
    row.scrollIntoView({ block: "nearest" });
    bringIntoView(row, frames - 1);
  });
}

async function explain(id) {
  let told = "";
  try {
    if (id !== null) told = await getPart(`/c/${key}/deposit/${id}`);
  } finally {
    if (shown.chosen === id) {
      // also where nothing was answered: another deposit's words must not stay
      chosenPart.innerHTML = told;
      chosenPart.hidden = told === "";
    }
  }
  if (id === null || shown.chosen !== id) return;
  const title = chosenPart.querySelector("h2").textContent;
  const seen = views.filter((view) => view.byId.has(id)).map((view) => view.number + 1);
  say(`${title}. Shown in picture ${seen.join(", ") || "none"}.`);
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-deposit]");
  if (button === null) return;
  const id = Number(button.dataset.deposit);
  choose(shown.chosen === id && button.classList.contains("pick") ? null : id);
});

function step(by) {
  const visible = [...table?.rows ?? []].filter((row) => !row.hidden);
  if (visible.length === 0) return;
  const at = visible.findIndex((row) => Number(row.dataset.id) === shown.chosen);
  const next = at < 0 ? (by > 0 ? 0 : visible.length - 1) : (at + by + visible.length) % visible.length;
  const focused = document.activeElement?.classList.contains("pick");
  choose(Number(visible[next].dataset.id));
  if (focused) visible[next].querySelector("button").focus();
}

// -- the list ------------------------------------------------------------------------------------

/** A long list's first rows come with the page; the rest is fetched once that is seen. */
async function restOfRows() {
  const { more } = table?.closest("table").dataset ?? {};
  if (more) table.insertAdjacentHTML("beforeend", await getPart(more));
  takeRows();
  hideRows();
  if (more && sort.value !== "rank") sortRows();
  if (chosenRow === null) {
    chosenRow = rowOf.get(shown.chosen) ?? null;
    mark(chosenRow, true);
  }
}

function takeRows() {
  rows = table === null ? [] : [...table.rows];
  rowOf = new Map(rows.map((row) => [Number(row.dataset.id), row]));
}

function hideRows() {
  for (const row of rows) row.hidden = shown.hidden.has(row.dataset.kind);
  const count = rows.filter((row) => row.hidden).length;
  document.getElementById("hidden-count").textContent = count ? `, ${count} switched off` : "";
}

function sortRows() {
  rows.sort(ORDERS[sort.value]);
  table.append(...rows);
}

const sort = document.getElementById("sort");
const number = (row, name) => row.dataset[name] === "" ? Infinity : Number(row.dataset[name]);
const ORDERS = {
  rank: (a, b) => number(a, "rank") - number(b, "rank"),
  distance: (a, b) => number(a, "distance") - number(b, "distance"),
  size: (a, b) => number(b, "size") - number(a, "size"),
  kind: (a, b) => a.dataset.kind.localeCompare(b.dataset.kind) || ORDERS.rank(a, b),
  surface: (a, b) => a.dataset.surface.localeCompare(b.dataset.surface) || ORDERS.rank(a, b),
  number: (a, b) => number(a, "id") - number(b, "id"),
};
sort?.addEventListener("change", () => {
  sortRows();
  say(`Sorted by ${sort.selectedOptions[0].textContent}`);
});

// -- what is drawn -------------------------------------------------------------------------------

for (const box of document.querySelectorAll("input.kind")) {
  box.addEventListener("change", () => {
    shown.hidden[box.checked ? "delete" : "add"](box.value);
    hideRows();
    if (shown.chosen !== null && shown.hidden.has(deposits.get(shown.chosen)?.kind)) choose(null);
    recolor();
  });
}
const tint = document.getElementById("tint");
tint.addEventListener("input", () => { shown.tint = Number(tint.value) / 100; redraw(); });
for (const name of ["unseen", "zone"]) {
  const box = document.getElementById(name);
  box.addEventListener("change", () => { shown[name] = box.checked; redraw(); });
  shown[name] = box.checked;
}
shown.tint = Number(tint.value) / 100;

takeRows();

function redraw() {
  map?.draw();
  for (const view of views) view.draw();
}
function recolor() {
  map?.recolor();
  for (const view of views) view.recolor();
}
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolor);

document.getElementById("map-in").addEventListener("click", () => map?.pane.zoom(1.5));
document.getElementById("map-out").addEventListener("click", () => map?.pane.zoom(1 / 1.5));
document.getElementById("map-fit").addEventListener("click", () => map?.pane.fit());
document.getElementById("map-front").addEventListener("click", () => map?.front());

// -- pictures ------------------------------------------------------------------------------------

const figures = [...document.querySelectorAll("figure.view")];

function enlarge(figure) {
  const on = figure !== null && !figure.classList.contains("large");
  for (const each of figures) {
    const large = on && each === figure;
    each.classList.toggle("large", large);
    each.querySelector(".enlarge").setAttribute("aria-pressed", String(large));
  }
  root.classList.toggle("enlarged", on);
}
for (const figure of figures) {
  figure.querySelector(".enlarge").addEventListener("click", () => enlarge(figure));
}

// -- keys ----------------------------------------------------------------------------------------

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "Escape") {
    if (root.classList.contains("enlarged")) enlarge(null);
    else choose(null);
    return;
  }
  const typing = event.target.matches("input:not([type=checkbox], [type=range]), select, textarea");
  if (typing || localStorage.getItem("keys") === "off") return;
  const flip = (name) => document.getElementById(name).click();
  const does = {
    n: () => step(1), p: () => step(-1), f: () => map?.front(), w: () => map?.pane.fit(),
    z: () => flip("zone"), u: () => flip("unseen"),
  }[event.key];
  if (does) does();
  else if (/^[1-9]$/.test(event.key) && figures[event.key - 1]) enlarge(figures[event.key - 1]);
});

document.getElementById("again").addEventListener("click", () => trying(async () => {
  location.assign(`/c/${(await post(`/c/${key}/again`)).key}`);
}));
document.getElementById("more")?.addEventListener("click", () => trying(async () => {
  location.assign(`/c/${(await post(`/c/${key}/more`)).key}`);
}));
