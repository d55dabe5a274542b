// Exercises: drawing another.

import { post, trying } from "./talk.js";

const draw = document.getElementById("draw");
draw?.addEventListener("click", () => trying(async () => {
  const [words, bar] = ["drawing", "bar"].map((id) => document.getElementById(id));
  draw.disabled = true;
  bar.hidden = false;
  words.textContent = "An invented connector is drawn; it takes up to some minutes";
  try {
    location.assign(`/c/${(await post("/exercises/draw")).key}/exercise`);
  } finally {
    draw.disabled = false;
    bar.hidden = true;
    words.textContent = "";
  }
}));
