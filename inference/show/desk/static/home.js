// The first page: pictures dropped here begin a new inspection.

import { takePictures } from "./intake.js";
import { post, trying } from "./talk.js";
import { offerWatched } from "./watched.js";

let begun = null;
async function caseKey() {
  begun ??= (await post("/cases")).key;
  return begun;
}
takePictures(caseKey);
offerWatched(caseKey);

document.getElementById("demo")?.addEventListener("click", () => trying(async () => {
  location.assign(`/c/${(await post("/demo")).key}`);
}));
