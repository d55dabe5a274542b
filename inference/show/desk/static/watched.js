// Pictures that lie in the watched folder, offered to the connector that is being made.

import { get, post, trying } from "./talk.js";

const EVERY = 1500; // ms

/** Offer them; `caseKey()` names the case that they go to, `changed()` hears that a case came. */
export function offerWatched(caseKey) {
  const words = document.getElementById("watched-words");
  if (words === null) return;
  const button = document.getElementById("watched-take");
  const nothing = words.textContent;
  const look = async () => {
    const { pictures, said } = await get("/watched");
    const found = pictures.length === 0 ? nothing : `New there: ${pictures.join(", ")}.`;
    const told = [found, ...said].join(" ");
    if (words.textContent !== told) words.textContent = told;
    button.hidden = pictures.length === 0;
  };
  const keepLooking = async () => {
    await look().catch(() => {}); // the page's own requests tell that the desk is gone
    setTimeout(keepLooking, EVERY);
  };
  keepLooking();
  button.addEventListener("click", () => trying(async () => {
    const key = await caseKey();
    const { taken, problems } = await post(`/c/${key}/watched`);
    if (problems.length > 0) throw new Error(problems.join(" "));
    if (taken > 0) location.assign(`/c/${key}`);
  }));
}
