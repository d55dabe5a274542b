// The list of pictures to label, and the files for retraining.

import { post, trying } from "./talk.js";

document.getElementById("export")?.addEventListener("click", () => trying(async () => {
  const told = document.getElementById("exported");
  const answer = await post("/label/export");
  told.textContent = `Written with their masks: ${answer.pictures}, to ${answer.folder}`;
  document.getElementById("retrain").hidden = false;
}));
