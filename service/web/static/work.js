/* How far work is, looked up about once a second; at its end the page shows what came of it. */

const LOOK_MS = 1_000;
const shown = document.querySelector("[data-status]");
const words = shown.querySelector(".far");
const bar = shown.querySelector("progress");

async function look() {
  let said = null;
  try {
    const answer = await fetch(shown.dataset.status, { headers: { Accept: "application/json" } });
    if (answer.ok) said = await answer.json();
    else if (answer.status === 404) said = { finished: true };
  } catch {
    said = null; // no connection for a moment: looked up again
  }
  if (said?.finished) {
    location.reload();
    return;
  }
  if (said?.words) words.textContent = said.words;
  if (said?.total) {
    bar.max = said.total;
    bar.value = said.done;
  } else if (said?.words) {
    bar.removeAttribute("value");
  }
  setTimeout(look, LOOK_MS);
}

setTimeout(look, LOOK_MS);
