// Pictures by drag and drop or from the file picker, with progress, a way to stop, and what went wrong.

import { say, sendFile, trying } from "./talk.js";

const MOST_BYTES = Number(document.getElementById("drop").dataset.most);
const order = new Intl.Collator(undefined, { numeric: true });

/** Take pictures in; `caseKey()` names the case that they go to, made at the first picture. */
export function takePictures(caseKey) {
  const zone = document.getElementById("drop");
  const input = document.getElementById("files");
  document.getElementById("camera")?.addEventListener("click", () => trying(async () => {
    location.assign(`/c/${await caseKey()}/camera`);
  }));
  input.addEventListener("change", () => take(input.files));
  for (const name of ["dragenter", "dragover"]) {
    document.addEventListener(name, (event) => {
      event.preventDefault();
      zone.classList.add("over");
    });
  }
  document.addEventListener("dragleave", (event) => {
    if (event.relatedTarget === null) zone.classList.remove("over");
  });
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    zone.classList.remove("over");
    take(event.dataTransfer.files);
  });

  async function take(list) {
    const files = [...list].sort((a, b) => order.compare(a.name, b.name));
    if (files.length === 0) return;
    await send(files, caseKey);
    input.value = "";
  }
}

async function send(files, caseKey) {
  const words = document.getElementById("upload-words");
  const bar = document.getElementById("upload-bar");
  const stop = document.getElementById("upload-stop");
  const trouble = document.getElementById("trouble");
  const aborter = new AbortController();
  const problems = [];
  let taken = 0;
  let key = null;
  stop.onclick = () => aborter.abort();
  bar.hidden = stop.hidden = false;
  trouble.hidden = true;
  try {
    key = await caseKey();
    for (const [index, file] of files.entries()) {
      words.textContent = `Taking in ${file.name} (${index + 1} of ${files.length})`;
      if (file.size > MOST_BYTES) {
        problems.push(`${file.name}: is larger than ${MOST_BYTES >> 20} MiB`);
        continue;
      }
      const follow = (share) => { bar.value = (index + share) / files.length; };
      try {
        await sendFile(`/c/${key}/pictures`, file, follow, aborter.signal);
        taken += 1;
      } catch (error) {
        if (error.name === "AbortError") break;
        problems.push(error.message);
      }
    }
  } catch (error) {
    problems.push(error.message);
  }
  bar.hidden = stop.hidden = true;
  words.textContent = "";
  if (problems.length === 0 && taken > 0) {
    location.assign(`/c/${key}`);
    return;
  }
  trouble.replaceChildren(...problems.map(paragraph));
  if (taken > 0) {
    const link = document.createElement("a");
    link.href = `/c/${key}`;
    link.textContent = `Go on with the ${taken} that could be taken`;
    trouble.append(link);
  }
  trouble.hidden = trouble.childNodes.length === 0;
  say(problems.length ? `${problems.length} not taken` : "Stopped");
}

function paragraph(text) {
  const element = document.createElement("p");
  element.textContent = text;
  return element;
}
