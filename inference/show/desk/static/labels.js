// The list of pictures to label, the files for retraining, and a retraining run.

import { get, post, trying } from "./talk.js";

const state = document.getElementById("retrain-state");
const lines = document.getElementById("retrain-lines");
const buttons = ["check", "retrain"].map((id) => document.getElementById(id));
const stop = document.getElementById("stop");

document.getElementById("export")?.addEventListener("click", () => trying(async () => {
  const answer = await post("/label/export");
  document.getElementById("exported").textContent =
    `Written with their masks: ${answer.pictures}, to ${answer.folder}`;
}));

function show(answer) {
  const running = answer.state === "running";
  const words = answer.state === "not started" ? "" : `${answer.task}: ${answer.state}`;
  if (state.textContent !== words) state.textContent = words;
  lines.hidden = answer.lines.length === 0;
  const text = answer.lines.join("\n");
  if (lines.textContent !== text) {
    lines.textContent = text;
    lines.scrollTop = lines.scrollHeight;
  }
  for (const button of buttons) button.disabled = running;
  stop.hidden = !running;
  if (running) setTimeout(() => trying(look), 1000);
}

async function look() {
  show(await get("/retrain"));
}

if (state !== null) {
  const [check, retrain] = buttons;
  check.addEventListener("click", () => trying(async () => show(await post("/retrain/check"))));
  retrain.addEventListener("click", () => trying(async () => show(await post("/retrain/start"))));
  stop.addEventListener("click", () => trying(async () => { await post("/retrain/stop"); }));
  trying(look);
}
