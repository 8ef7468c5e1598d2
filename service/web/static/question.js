/* The bar of the question: copy the address of this page, which holds all of it, and follow the
   gear that the legend of the map switches. */
import { make } from "../assets/elements.js";
import { request } from "../assets/fetching.js";

function tell(line, button, copied) {
  const parts = [copied ? "Copied." : "Copy this address: "];
  if (!copied) {
    const field = make("input");
    field.value = window.location.href;
    field.readOnly = true;
    field.setAttribute("aria-label", "Address of this page");
    parts.push(field);
  }
  if ("alone" in button.dataset) {
    parts.push(" It opens on this machine alone; to others give a file.");
  }
  line.replaceChildren(...parts);
  line.querySelector("input")?.select();
}

function showButtons() {
  document.querySelectorAll("[data-copy-link]").forEach((button) => {
    button.hidden = false;
  });
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-copy-link]");
  if (!button) return;
  const line = button.closest(".question").querySelector("[data-copied]");
  const copying = navigator.clipboard
    ? navigator.clipboard.writeText(window.location.href)
    : Promise.reject(new Error("no clipboard here"));
  copying.then(
    () => tell(line, button, true),
    () => tell(line, button, false),
  );
});

// What is left open stays out of the address, so that a link is short.
document.addEventListener("submit", (event) => {
  if (!event.target.closest(".question")) return;
  event.target.querySelectorAll("input, select").forEach((field) => {
    if (field.value === "") field.disabled = true;
  });
});
window.addEventListener("pageshow", () => {
  document.querySelectorAll(".question form :disabled").forEach((field) => {
    field.disabled = false;
  });
});

/** Fields of the form that neither the legend nor the choice of a background changes. */
const ownFields = (part) =>
  part.querySelectorAll("form :is(input:not([type=hidden], [name=method]), select)");

/** Take words, fields and links of the question as the server writes them for this address. */
let turn = 0;
document.addEventListener("questionchange", async () => {
  const own = (turn += 1);
  const answer = await request(window.location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok || own !== turn) return;
  const page = new DOMParser().parseFromString(answer.text, "text/html");
  const focused = document.activeElement;
  [".question .filters", ".question .taking", "header nav ul"].forEach((part) => {
    const [old, fresh] = [document.querySelector(part), page.querySelector(part)];
    if (!old || !fresh) return;
    if (old.open) fresh.open = true;
    const entered = ownFields(old); // stays as somebody is entering it
    ownFields(fresh).forEach((field, n) => {
      if (entered[n]?.name === field.name) field.replaceWith(entered[n]);
    });
    old.replaceWith(fresh);
  });
  if (focused.isConnected) focused.focus();
  showButtons();
});

showButtons();
