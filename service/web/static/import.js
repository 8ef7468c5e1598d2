/* Dropped files go into the field of their form; their names are said. */
(function () {
  "use strict";
  document.querySelectorAll(".drop-form").forEach((form) => {
    const field = form.querySelector("input[type=file]");
    const drop = form.querySelector(".drop");
    const chosen = form.querySelector(".chosen");

    function tell() {
      chosen.replaceChildren(
        ...Array.from(field.files).map((file) => {
          const line = document.createElement("li");
          line.textContent = file.name + ", " + Math.max(1, Math.round(file.size / 1000)).toLocaleString("en").replaceAll(",", "\u202f") + " kB";
          return line;
        }),
      );
    }

    function add(files) {
      const all = new DataTransfer();
      const names = new Set(Array.from(files, (file) => file.name));
      Array.from(field.files).filter((file) => !names.has(file.name)).forEach((file) => all.items.add(file));
      Array.from(files).forEach((file) => all.items.add(file));
      field.files = all.files;
      tell();
    }

    field.addEventListener("change", tell);
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
      const button = form.querySelector("button[type=submit]");
      button.textContent = "Checking …";
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
})();
