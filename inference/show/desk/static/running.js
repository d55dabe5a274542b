// How far an inspection is.

import { get, post, trying } from "./talk.js";

const key = document.getElementById("case").dataset.key;
const step = document.getElementById("step");
const bar = document.getElementById("bar");
const left = document.getElementById("left");
const stop = document.getElementById("stop");

async function look() {
  const now = await get(`/c/${key}/progress`);
  if (now.state === "queued") {
    show("Waiting for its turn");
  } else if (now.state === "running") {
    show(now.step[0].toUpperCase() + now.step.slice(1));
    if (now.of > 0) bar.value = (now.done + 0.2) / (now.of + 1);
    const rest = now.left_s === null ? "" : `, about ${Math.ceil(now.left_s)} s to go`;
    const done = now.of > 0 ? `${now.done} of ${now.of} pictures, ` : "";
    left.textContent = `${done}${Math.round(now.spent_s)} s${rest}`;
  } else {
    location.reload();
  }
}

async function keepLooking() {
  await trying(look);
  setTimeout(keepLooking, document.getElementById("trouble").hidden ? 400 : 2000);
}

function show(words) {
  if (step.textContent !== words) step.textContent = words;
}

stop.addEventListener("click", () => trying(async () => {
  await post(`/c/${key}/stop`);
}));
stop.disabled = false; // a press before now would have been lost
keepLooking();
