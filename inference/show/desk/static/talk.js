// Talking to the desk: changes with the page's token, pictures with their progress, words aloud.

const token = document.querySelector('meta[name="desk-token"]').content;
const SILENT = "The desk does not answer. Is “fiberward desk” still running?";

/** Tell a screen reader something that is seen otherwise. */
export function say(words) {
  document.getElementById("said").textContent = words;
}

async function answerOf(response) {
  const answer = await response.json().catch(() => ({}));
  if (!response.ok) throw new Error(answer.problem ?? `The desk answered ${response.status}.`);
  return answer;
}

/** GET JSON; an Error with one line for a person otherwise. */
export async function get(path) {
  const response = await fetch(path).catch(() => { throw new Error(SILENT); });
  return answerOf(response);
}

/** GET a part of a page; an Error with one line for a person otherwise. */
export async function getPart(path) {
  const response = await fetch(path).catch(() => { throw new Error(SILENT); });
  return response.ok ? response.text() : answerOf(response);
}

/** POST JSON and get JSON; an Error with one line for a person otherwise. */
export async function post(path, body = {}) {
  const response = await fetch(path, {
    method: "POST",
    headers: { "x-fiberward-desk": token, "content-type": "application/json" },
    body: JSON.stringify(body),
  }).catch(() => { throw new Error(SILENT); });
  return answerOf(response);
}

/** Send one file as the body; `follow` hears of the share sent, `signal` stops it. */
export function sendFile(path, file, follow, signal) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.setRequestHeader("x-fiberward-desk", token);
    request.setRequestHeader("x-file-name", encodeURIComponent(file.name));
    request.responseType = "json";
    request.upload.onprogress = (event) => follow(event.loaded / Math.max(event.total, 1));
    request.onload = () => request.status < 300
      ? resolve(request.response)
      : reject(new Error(request.response?.problem ?? `The desk answered ${request.status}.`));
    request.onerror = () => reject(new Error(SILENT));
    request.onabort = () => reject(new DOMException("cancelled", "AbortError"));
    signal.addEventListener("abort", () => request.abort());
    request.send(file);
  });
}

/** Do something; what goes wrong is told in the element with the id "trouble". */
export async function trying(work) {
  const place = document.getElementById("trouble");
  place.hidden = true;
  try {
    await work();
  } catch (error) {
    place.textContent = error.message;
    place.hidden = false;
  }
}
