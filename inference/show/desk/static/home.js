// The first page: pictures dropped here begin a new inspection.

import { takePictures } from "./intake.js";
import { post, trying } from "./talk.js";

let begun = null;
takePictures(async () => {
  begun ??= (await post("/cases")).key;
  return begun;
});

document.getElementById("demo")?.addEventListener("click", () => trying(async () => {
  location.assign(`/c/${(await post("/demo")).key}`);
}));
