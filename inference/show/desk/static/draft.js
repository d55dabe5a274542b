// Pictures and facts before an inspection: kept as they are typed, so that nothing is lost.

import { takePictures } from "./intake.js";
import { post, say, trying } from "./talk.js";
import { offerWatched } from "./watched.js";

const key = document.getElementById("case").dataset.key;
const form = document.getElementById("stated");
const turns = [...document.querySelectorAll("input.turn")];
const USUAL = ["0", "0", "120", "240"]; // the front, then round the plug

async function caseKey() {
  await keep();
  return key;
}
takePictures(caseKey);
offerWatched(caseKey);

async function keep() {
  const stated = Object.fromEntries(new FormData(form));
  stated.turns = Object.fromEntries(turns.map((input) => [input.dataset.file, input.value || "-"]));
  const answer = await post(`/c/${key}/stated`, stated);
  document.getElementById("command").textContent = answer.command;
}

let waiting;
function keepSoon() {
  clearTimeout(waiting);
  waiting = setTimeout(() => trying(keep), 300);
}
form.addEventListener("input", keepSoon);
for (const input of turns) input.addEventListener("input", keepSoon);
keepSoon(); // what was typed, or put back by the browser, before this script ran

document.getElementById("usual")?.addEventListener("click", () => {
  turns.forEach((input, index) => { input.value = USUAL[index] ?? ""; });
  keepSoon();
  say("Turns filled in: 0, 0, 120, 240");
});

for (const button of document.querySelectorAll("button.remove")) {
  button.addEventListener("click", () => trying(async () => {
    await keep();
    await post(`/c/${key}/remove/${button.dataset.number}`);
    location.reload();
  }));
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  clearTimeout(waiting);
  trying(async () => {
    await keep();
    await post(`/c/${key}/start`);
    location.reload();
  });
});
