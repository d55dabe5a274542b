// The list of pictures to label, the files for retraining, and a retraining run.

import { get, post, trying } from "./talk.js";

const state = document.getElementById("retrain-state");
const lines = document.getElementById("retrain-lines");
const buttons = ["check", "retrain", "go-on"].map((id) => document.getElementById(id));
const bar = document.getElementById("retrain-bar");
const stop = document.getElementById("stop");

document.getElementById("export")?.addEventListener("click", () => trying(async () => {
  const answer = await post("/label/export");
  document.getElementById("exported").textContent =
    `Written with their masks: ${answer.pictures}, to ${answer.folder}; the same as COCO to ${answer.coco}`;
}));

function show(answer) {
  const running = answer.state === "running";
  const words = wordsOf(answer, running);
  if (state.textContent !== words) state.textContent = words;
  lines.hidden = answer.lines.length === 0;
  const text = answer.lines.join("\n");
  if (lines.textContent !== text) {
    lines.textContent = text;
    lines.scrollTop = lines.scrollHeight;
  }
  for (const button of buttons) button.disabled = running;
  stop.hidden = !running;
  const { run } = answer;
  bar.hidden = !running;
  if (answer.task === "Retraining" && run?.of) bar.value = run.step / run.of;
  else bar.removeAttribute("value"); // at work, no step known yet
  document.getElementById("go-on").hidden = running || !run?.open;
  document.getElementById("retrain").textContent = run?.open ? "Begin a new run" : "Retrain";
  if (running) setTimeout(() => trying(look), 1000);
}

function wordsOf({ state: now, task, run }, running) {
  const far = run !== null && run.of > 0 ? `${run.name}, step ${run.step} of ${run.of}` : run?.name;
  const left = run?.left_min ? `, ${Math.ceil(run.left_min)} minutes left at most` : "";
  if (running && task === "Retraining") return `Retraining: ${far ?? "begins"}${left}`;
  if (now !== "not started") return `${task}: ${now}`;
  return run?.open ? `A run was stopped: ${far}.` : "";
}

async function look() {
  show(await get("/retrain"));
}

if (state !== null) {
  const [check, retrain, goOn] = buttons;
  goOn.addEventListener("click", () => trying(async () => show(await post("/retrain/go-on"))));
  check.addEventListener("click", () => trying(async () => show(await post("/retrain/check"))));
  retrain.addEventListener("click", () => trying(async () => show(await post("/retrain/start"))));
  stop.addEventListener("click", () => trying(async () => { await post("/retrain/stop"); }));
  trying(look);
}
