// The live camera: what it sees, how small a deposit that shows, and the best frame of a burst kept.

import { get, post, say, trying } from "./talk.js";

const EVERY = 150; // ms between looks
const OLD_MS = 10_000; // a figure older than this is no help in focusing
const root = document.getElementById("case");
const key = root?.dataset.key;
const byId = (id) => document.getElementById(id);
let shown = 0;
let taking = false;
let smallest = null;

if (root !== null) begin();

function begin() {
  const take = byId("take");
  byId("ferrule").addEventListener("change", () => trying(async () => {
    await post(`/c/${key}/stated`, { ferrule_mm: byId("ferrule").value });
    smallest = null;
    await post(`/c/${key}/camera`);
  }));
  take.addEventListener("click", () => trying(takeOne));
  byId("stop").addEventListener("click", () => trying(() => post("/camera/cancel")));
  for (const button of document.querySelectorAll("button.remove")) {
    button.addEventListener("click", () => trying(async () => {
      await post(`/c/${key}/remove/${button.dataset.number}`);
      location.reload();
    }));
  }
  trying(async () => {
    await post(`/c/${key}/camera`);
    keepLooking();
  });
}

async function keepLooking() {
  await trying(look);
  setTimeout(keepLooking, EVERY);
}

async function look() {
  const now = await get("/camera");
  byId("take").disabled = taking || now.state !== "on" || !now.aid;
  if (now.state === "failed") throw new Error(now.problem);
  if (now.state === "off") await post(`/c/${key}/camera`); // it was given back while nobody looked
  if (now.frame !== undefined && now.frame !== shown) {
    shown = now.frame;
    byId("live").src = `/camera/frame?n=${shown}`;
  }
  if (now.aid) tellAid(now.aid, now.aid_age_s * 1000 > OLD_MS);
  else if (now.frame !== undefined) byId("finest").textContent = "Being measured";
  if (now.burst && taking) {
    byId("taking").textContent = `${now.burst.burst}: ${now.burst.done} of ${now.burst.of}`;
    byId("bar").value = (now.burst.done + (now.burst.burst === "taking" ? 0 : now.burst.of)) / (2 * now.burst.of);
  }
}

function tellAid({ limit_um: limit, why_not: whyNot, exposure }, old) {
  const words = old ? "Not measured just now" : limit === null ? "Nothing yet" : `${Math.round(limit)} um`;
  if (byId("finest").textContent !== words) byId("finest").textContent = words;
  if (limit !== null) smallest = smallest === null ? limit : Math.min(smallest, limit);
  const best = smallest === null ? "" : ` The best so far: ${Math.round(smallest)} um.`;
  const told = limit === null ? `${whyNot[0].toUpperCase()}${whyNot.slice(1)}.`
    : `The smallest deposit this picture can show.${best} Turn the focus until it is as small as it gets.`;
  if (byId("finest-words").textContent !== told) byId("finest-words").textContent = told;
  byId("exposure").hidden = exposure === null;
  byId("exposure").textContent = exposure ?? "";
}

async function takeOne() {
  taking = true;
  byId("take").disabled = true;
  byId("stop").hidden = byId("bar").hidden = false;
  byId("bar").value = 0;
  byId("taking").textContent = "Taking: hold still";
  try {
    const answer = await post(`/c/${key}/take`, { turn: byId("take").dataset.turn });
    say(`Kept as ${answer.file}; it can show ${Math.round(answer.taken.limit_um)} um`);
    location.reload();
  } catch (error) {
    byId("taking").textContent = `Nothing kept: ${error.message}`;
  } finally {
    taking = false;
    byId("stop").hidden = byId("bar").hidden = true;
  }
}
