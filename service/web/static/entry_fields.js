/* Fields of the form: those of the chosen method, filled from the draft and read at every touch. */
import { element } from "../assets/elements.js";
import * as content from "./entry_content.js";
import { by, editing, entry, form, lists, method, zone } from "./entry_form.js";
import { catches, lengths } from "./entry_rows.js";
import { drawTiles } from "./entry_tiles.js";
import { localNow, offsetNow, parted } from "./entry_times.js";

const READ = "rifflebook-cautions:"; // and a method: the day its cautions were read
const HINTS = {
  point: "Tap the map, or use the position of this device.",
  ends: "First the lower end, where work began; then the upper end.",
  track: "Tap along the way, from the lower end.",
  area: "Tap the corners in order, three or more.",
};

/** `touched` is called after a change, `placed` where it may have moved the place. */
export function makeFields({ touched, placed }) {
  function fillFields() {
    form.querySelectorAll("input[name], select[name], textarea[name]").forEach((field) => {
      const value = entry.draft.cells[field.name] || "";
      if (field.name === "shape") field.checked = field.value === entry.draft.shape;
      else if (field.type === "radio") field.checked = field.value === value;
      else if (field.value !== value) field.value = value;
    });
    for (const name of ["set_at", "lifted_at"]) {
      const [time, offset] = parted(entry.draft.cells[name]);
      form.querySelector(`[data-time=${name}]`).value = time;
      form.querySelector(`[data-offset=${name}]`).value = offset;
    }
  }

  function drawRows() {
    const passes = Number(entry.draft.cells.passes) || 1;
    const caught = [...new Set(entry.draft.catches.map((row) => row.species).filter(Boolean))];
    const options = {
      lists,
      passes,
      caught,
      changed: touched,
      redraw: () => {
        touched();
        drawRows();
      },
    };
    drawTiles(by("tiles"), entry.draft, lists, () => {
      fillFields();
      arrange();
      options.redraw();
    });
    catches(by("catches"), entry.draft.catches, options);
    lengths(by("lengths"), entry.draft.lengths, options);
    by("length-count").textContent = entry.draft.lengths.length
      ? "(" + entry.draft.lengths.length + ")"
      : "";
  }

  function arrange() {
    const own = method();
    by("survey-choice").hidden = Boolean(entry.draft.cells.survey);
    form
      .querySelectorAll("[data-field]")
      .forEach((field) => (field.hidden = !content.shows(entry.draft, own, field.dataset.field)));
    by("effort-hint").hidden = Boolean(own);
    const shapes = own ? own.geometry : ["point", "ends"];
    form.querySelectorAll("[data-shape]").forEach((one) => {
      one.hidden = !shapes.includes(one.dataset.shape) && one.dataset.shape !== entry.draft.shape;
    });
    by("shape-choice").hidden = shapes.length < 2 && shapes.includes(entry.draft.shape);
    by("shape-hint").textContent = by("shape-choice").hidden ? "" : HINTS[entry.draft.shape];
    by("zone").textContent =
      "Times of " +
      zone() +
      (own && own.hours === "night"
        ? "; this gear is used at night."
        : own && own.hours === "day"
          ? "; this gear is used by day."
          : ".");
    by("cautions").hidden = !own;
    if (own)
      by("cautions")
        .querySelector("ul")
        .replaceChildren(...own.cautions.map((one) => element("li", { textContent: one })));
    foldCautions();
    const lifting = Boolean(entry.draft.lifting);
    document.body.classList.toggle("lifting", lifting);
    by("lifting").hidden = !lifting;
    if (lifting)
      by("lifting-line").textContent =
        entry.draft.cells.placement_id +
        ", " +
        (own ? own.label : entry.draft.cells.method) +
        ", set " +
        entry.draft.cells.set_at.slice(0, 16).replace("T", " ") +
        ", lifted " +
        (entry.draft.cells.lifted_at || "").slice(11, 16);
    const settable = !lifting && !editing && own && own.passive && !entry.draft.cells.outcome;
    by("set-now").hidden = !settable || Boolean(entry.draft.cells.lifted_at);
    by("record").hidden = entry.draft.shape !== "track";
    const words = { nil: "Save: nothing caught", lost: "Save: lost", disturbed: "Save: disturbed" };
    if (!entry.seen) by("save").textContent = words[entry.draft.cells.outcome] || "Save";
    by("catch-part").hidden = !content.rowsCount(entry.draft);
    const aside =
      !content.rowsCount(entry.draft) &&
      entry.draft.catches.some((row) => row.species || row.count);
    by("outcome-hint").textContent = aside
      ? "The catch rows entered before are put aside; they are not saved with this outcome."
      : {
          lost: "Lost gear counts neither as looking nor as effort.",
          disturbed: "A species not caught here will not count as looked for.",
        }[entry.draft.cells.outcome] || "";
  }

  /* Open until they were read once a day; the heading stays, whatever is folded. */
  function foldCautions() {
    const own = entry.draft.cells.method;
    if (!own || by("cautions").dataset.of === own) return;
    by("cautions").dataset.of = own;
    by("cautions").open = localStorage.getItem(READ + own) !== new Date().toDateString();
  }

  form.addEventListener("input", (event) => {
    const field = event.target;
    if (field.dataset.time || field.dataset.offset) {
      const name = field.dataset.time || field.dataset.offset;
      const offset = form.querySelector(`[data-offset=${name}]`);
      if (field.dataset.time) offset.value = ""; // the zone of the survey counts
      const time = form.querySelector(`[data-time=${name}]`).value;
      entry.draft.cells[name] = time ? time + offset.value.trim() : "";
      touched();
      return;
    }
    if (!field.name) return;
    if (field.name === "shape") {
      content.reshape(entry.draft, field.value);
      fillFields();
    } else entry.draft.cells[field.name] = field.value;
    if (field.name === "outcome") {
      entry.draft.nothing_caught = field.value === "nil"; // saving it says so
      if (field.value === "caught" && !entry.draft.catches.length)
        entry.draft.catches.push(freshCatch());
    }
    if (field.name === "method" && method() && !method().geometry.includes(entry.draft.shape)) {
      entry.draft.shape = method().geometry[0];
      content.place(entry.draft, content.points(entry.draft).slice(0, 1));
      fillFields();
    }
    touched();
    if (["outcome", "passes"].includes(field.name)) drawRows();
    if (field.type === "radio" || ["survey", "passes"].includes(field.name)) arrange();
    if (
      [...content.PLACE, "shape", "method", "position_uncertainty_m", "stream_name"].includes(
        field.name,
      )
    ) {
      if (
        content.PLACE.includes(field.name) &&
        field.name !== "crs" &&
        !entry.draft.cells.crs &&
        /tude$/.test(field.name)
      ) {
        entry.draft.cells.crs = form.elements.crs.value = "EPSG:4326";
      }
      placed();
    }
  });

  function freshCatch() {
    const last = entry.draft.catches[entry.draft.catches.length - 1];
    return {
      count: "",
      count_kind: "exact",
      fate: last ? last.fate || "" : "released",
      pass_no: last ? last.pass_no || "" : "",
    };
  }

  by("add-catch").addEventListener("click", () => {
    entry.draft.catches.push(freshCatch());
    touched();
    drawRows();
    by("catches").lastElementChild.querySelector("input").focus();
  });
  by("add-length").addEventListener("click", () => {
    const last = entry.draft.lengths[entry.draft.lengths.length - 1];
    const only = entry.draft.catches.length === 1 ? entry.draft.catches[0].species : "";
    entry.draft.lengths.push({
      species: last ? last.species : only || "",
      pass_no: last ? last.pass_no || "" : "",
    });
    touched();
    drawRows();
    by("lengths").lastElementChild.querySelector("input").focus();
  });
  by("lengths-part").addEventListener("toggle", drawRows);
  by("cautions-read").addEventListener("click", () => {
    localStorage.setItem(READ + entry.draft.cells.method, new Date().toDateString());
    by("cautions").open = false;
  });
  by("undo-point").addEventListener("click", () => {
    content.place(entry.draft, content.points(entry.draft).slice(0, -1));
    fillFields();
    touched();
    placed();
  });
  form.querySelectorAll("[data-now]").forEach((button) =>
    button.addEventListener("click", () => {
      entry.draft.cells[button.dataset.now] = localNow(zone()) + offsetNow(zone());
      fillFields();
      touched();
    }),
  );

  /* Surveys by a tap: those of most placements on this device first, then as listed. */
  function surveyChoice() {
    const names = Array.from(by("surveys").options, (one) => one.value).slice(0, 4);
    by("survey-choice").replaceChildren(
      ...names.map((name) => {
        const button = element("button", { type: "button", className: "light", textContent: name });
        button.addEventListener("click", () => {
          form.elements.survey.value = name;
          form.elements.survey.dispatchEvent(new Event("input", { bubbles: true }));
          drawRows();
        });
        return button;
      }),
    );
  }

  surveyChoice();
  return { fill: fillFields, drawRows, arrange };
}
