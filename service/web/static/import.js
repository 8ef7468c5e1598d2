/* Dropped files go into the field of their form; their names are listed. */
import { make } from "../assets/elements.js";
import { formatNumber } from "../assets/numbers.js";
import "./sort_table.js";

document.querySelectorAll(".drop-form").forEach((form) => {
  const field = form.querySelector("input[type=file]");
  const drop = form.querySelector(".drop");
  const chosen = form.querySelector(".chosen");

  function listFiles() {
    chosen.replaceChildren(
      ...Array.from(field.files, (file) =>
        make("li", file.name + ", " + formatNumber(Math.max(1, file.size / 1000)) + " kB"),
      ),
    );
  }

  function add(files) {
    const all = new DataTransfer();
    const names = new Set(Array.from(files, (file) => file.name));
    const before = Array.from(field.files).filter((file) => !names.has(file.name));
    [...before, ...files].forEach((file) => all.items.add(file));
    field.files = all.files;
    listFiles();
  }

  field.addEventListener("change", listFiles);
  ["dragover", "dragenter"].forEach((kind) =>
    drop.addEventListener(kind, (event) => {
      event.preventDefault();
      drop.classList.add("over");
    }),
  );
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    add(event.dataTransfer.files);
  });
  form.addEventListener("submit", () => {
    form.querySelector("button[type=submit]").textContent = "Checking …";
    form.setAttribute("aria-busy", "true");
  });
});

// A second click would show its own refusal in place of what the first one stored.
document.querySelectorAll("form.take").forEach((form) => {
  form.addEventListener("submit", (event) => {
    if (form.getAttribute("aria-busy")) event.preventDefault();
    form.setAttribute("aria-busy", "true");
  });
});
