/* Copy the address of this page, which holds the whole question; and close open lists of files. */
import { make } from "../assets/elements.js";

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

document.querySelectorAll("[data-copy-link]").forEach((button) => {
  const line = button.closest(".question").querySelector("[data-copied]");
  button.hidden = false;
  button.addEventListener("click", () => {
    const copying = navigator.clipboard
      ? navigator.clipboard.writeText(window.location.href)
      : Promise.reject(new Error("no clipboard here"));
    copying.then(
      () => tell(line, button, true),
      () => tell(line, button, false),
    );
  });
});

document.querySelectorAll(".question .files").forEach((list) => {
  document.addEventListener("click", (event) => {
    if (!list.contains(event.target)) list.open = false;
  });
  list.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !list.open) return;
    list.open = false;
    list.querySelector("summary").focus();
  });
});
