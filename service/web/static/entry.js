/* The entry form: fields of the chosen method, stored at every touch, checked, saved or left to
   wait. */
import { element } from "../assets/elements.js";
import { NoAnswer } from "../assets/fetching.js";
import * as content from "./entry_content.js";
import * as drafts from "./entry_drafts.js";
import { makeFindings } from "./entry_findings.js";
import * as keeping from "./entry_keeping.js";
import { makeMap } from "./entry_map.js";
import { makePlace } from "./entry_place.js";
import { catches, lengths } from "./entry_rows.js";
import { localNow, offsetNow, parted } from "./entry_times.js";
import { address, makeWaiting } from "./entry_waiting.js";

const lists = JSON.parse(document.getElementById("lists").textContent);
const NEW = "/placements/new";
const HINTS = {
  point: "Tap the map, or use the position of this device.",
  ends: "First the lower end, where work began; then the upper end.",
  track: "Tap along the way, from the lower end.",
  area: "Tap the corners in order, three or more.",
};
const form = document.getElementById("entry");
const by = (id) => document.getElementById(id);
const path = location.pathname.replace(/\/$/, "");
const editing = path !== NEW;
let draft = null;
let seen = ""; // the remarks that were shown, so that saving again means it

const map = makeMap(lists, addPoint);
const place = makePlace({ draftNow: () => draft, map, by, add: addPoint });
const findings = makeFindings(form, by);
const waiting = makeWaiting({ draftNow: () => draft, methods: lists.methods, by, say });
const method = () => lists.methods[draft.cells.method];
const sheet = () => content.sheet(draft, method());
const begun = () =>
  editing && lists.form
    ? content.ofStored(lists, path, lists.form)
    : content.empty(lists, path, {});
const given = new URLSearchParams(location.search);

function addPoint(point) {
  content.addPoint(draft, point);
  fillFields();
  touched();
  place.show();
}

function keep() {
  draft.changed = Date.now();
  draft.status = "draft";
  draft.account = lists.account;
  return keeping
    .keep(draft)
    .then(waiting.list, () => say("This browser keeps nothing here: save before you leave.", true));
}

// The page ----------------------------------------------------------------------------------
const zone = () => lists.zones[draft.cells.survey] || lists.timezone;

function say(words, trouble, ...more) {
  by("state").replaceChildren(words, ...more);
  by("state").classList.toggle("trouble", Boolean(trouble));
}

function faultWords(problem) {
  console.error(problem); // for whoever looks for faults
  return problem.message + ". What you entered is kept on this device.";
}

function connection() {
  document.body.classList.toggle("offline", !navigator.onLine);
  if (!navigator.onLine)
    say("No connection. What you enter is kept on this device and sent later.");
  else if (by("state").textContent.startsWith("No connection")) say("");
}

function fillFields() {
  form.querySelectorAll("input[name], select[name], textarea[name]").forEach((field) => {
    const value = draft.cells[field.name] || "";
    if (field.name === "shape") field.checked = field.value === draft.shape;
    else if (field.name === "nothing_caught") field.checked = draft.nothing_caught;
    else if (field.type === "radio") field.checked = field.value === value;
    else if (field.value !== value) field.value = value;
  });
  for (const name of ["set_at", "lifted_at"]) {
    const [time, offset] = parted(draft.cells[name]);
    form.querySelector(`[data-time=${name}]`).value = time;
    form.querySelector(`[data-offset=${name}]`).value = offset;
  }
}

function drawRows() {
  const passes = Number(draft.cells.passes) || 1;
  const caught = [...new Set(draft.catches.map((row) => row.species).filter(Boolean))];
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
  catches(by("catches"), draft.catches, options);
  lengths(by("lengths"), draft.lengths, options);
  by("length-count").textContent = draft.lengths.length ? "(" + draft.lengths.length + ")" : "";
}

function arrange() {
  const own = method();
  form
    .querySelectorAll("[data-field]")
    .forEach((field) => (field.hidden = !content.shows(draft, own, field.dataset.field)));
  by("effort-hint").hidden = Boolean(own);
  const shapes = own ? own.geometry : ["point", "ends"];
  form.querySelectorAll("[data-shape]").forEach((one) => {
    one.hidden = !shapes.includes(one.dataset.shape) && one.dataset.shape !== draft.shape;
  });
  by("shape-choice").hidden = shapes.length < 2 && shapes.includes(draft.shape);
  by("shape-hint").textContent = HINTS[draft.shape];
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
  const nil = draft.cells.outcome === "nil";
  by("nil-confirm").hidden = !nil;
  by("catch-part").hidden = !content.rowsCount(draft);
  const aside = !content.rowsCount(draft) && draft.catches.some((row) => row.species || row.count);
  by("outcome-hint").textContent = aside
    ? "The catch rows entered before are put aside; they are not saved with this outcome."
    : {
        lost: "Lost gear counts neither as looking nor as effort.",
        disturbed: "A species not caught here will not count as looked for.",
      }[draft.cells.outcome] || "";
}

function touched() {
  seen = "";
  by("save").textContent = "Save";
  keep();
}

function open(found) {
  draft = found;
  fillFields();
  drawRows();
  arrange();
  place.show();
  findings.hide();
  const list = content.points(draft);
  if (list.length) map.look(list);
  if (draft.status === "refused" || draft.status === "conflict") showAnswer(draft);
}

form.addEventListener("input", (event) => {
  const field = event.target;
  if (field.dataset.time || field.dataset.offset) {
    const name = field.dataset.time || field.dataset.offset;
    const offset = form.querySelector(`[data-offset=${name}]`);
    if (field.dataset.time) offset.value = ""; // the zone of the survey counts
    const time = form.querySelector(`[data-time=${name}]`).value;
    draft.cells[name] = time ? time + offset.value.trim() : "";
    touched();
    return;
  }
  if (!field.name) return;
  if (field.name === "nothing_caught") draft.nothing_caught = field.checked;
  else if (field.name === "shape") {
    content.reshape(draft, field.value);
    fillFields();
  } else draft.cells[field.name] = field.value;
  if (field.name === "outcome") {
    draft.nothing_caught = false;
    by("nil-confirm").querySelector("input").checked = false;
    if (field.value === "caught" && !draft.catches.length) draft.catches.push(freshCatch());
  }
  if (field.name === "method" && method() && !method().geometry.includes(draft.shape)) {
    draft.shape = method().geometry[0];
    content.place(draft, content.points(draft).slice(0, 1));
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
      !draft.cells.crs &&
      /tude$/.test(field.name)
    ) {
      draft.cells.crs = form.elements.crs.value = "EPSG:4326";
    }
    place.show();
  }
});

function freshCatch() {
  const last = draft.catches[draft.catches.length - 1];
  return {
    count: "",
    count_kind: "exact",
    fate: last ? last.fate || "" : "released",
    pass_no: last ? last.pass_no || "" : "",
  };
}

by("add-catch").addEventListener("click", () => {
  draft.catches.push(freshCatch());
  touched();
  drawRows();
  by("catches").lastElementChild.querySelector("input").focus();
});
by("add-length").addEventListener("click", () => {
  const last = draft.lengths[draft.lengths.length - 1];
  const only = draft.catches.length === 1 ? draft.catches[0].species : "";
  draft.lengths.push({
    species: last ? last.species : only || "",
    pass_no: last ? last.pass_no || "" : "",
  });
  touched();
  drawRows();
  by("lengths").lastElementChild.querySelector("input").focus();
});
by("lengths-part").addEventListener("toggle", drawRows);
by("locate").addEventListener("click", place.locate);
by("undo-point").addEventListener("click", () => {
  content.place(draft, content.points(draft).slice(0, -1));
  fillFields();
  touched();
  place.show();
});
form.querySelectorAll("[data-now]").forEach((button) =>
  button.addEventListener("click", () => {
    draft.cells[button.dataset.now] = localNow(zone()) + offsetNow(zone());
    fillFields();
    touched();
  }),
);

// Checking and saving -----------------------------------------------------------------------
function showAnswer(one) {
  if (one.status !== "conflict") return findings.show("Look at this first", one.told || {});
  const mine = () => {
    draft.base = one.told.digest;
    draft.had = Object.keys(draft.cells);
    save(true);
  };
  const theirs = async () => {
    await drafts.remove(draft.uuid);
    keeping.forgetMirror(path);
    location.assign("/placements/" + address(draft.cells.placement_id));
  };
  return findings.showConflict(one.told, mine, theirs);
}

async function postSheet(url) {
  const lent = await drafts.lend();
  return drafts.post(url, sheet(), lent.token);
}

async function check() {
  busy(true);
  try {
    const { status, told } = await postSheet("/entry/check");
    if (status !== 200) findings.show("This cannot be checked", told);
    else if (told.refused.length || told.flagged.length) findings.show("Look at this first", told);
    else {
      findings.hide();
      say(told.unchanged ? "Checked: stored already, just so." : "Checked: nothing to remark.");
    }
    return status === 200 ? told : null;
  } catch (problem) {
    say(
      problem instanceof NoAnswer
        ? "No connection: it is checked when it is sent."
        : faultWords(problem),
      true,
    );
    return null;
  } finally {
    busy(false);
  }
}

function busy(on) {
  by("check").disabled = by("save").disabled = on;
  form.setAttribute("aria-busy", String(on));
}

async function wait() {
  draft.sheet = sheet();
  draft.changed = Date.now();
  draft.status = "waiting";
  draft.account = lists.account;
  await drafts.put(draft);
  keeping.forgetMirror(path);
  const id = draft.cells.placement_id;
  await next();
  say(id + " is kept on this device. It is checked and sent when there is a connection.");
  const worker = navigator.serviceWorker && (await navigator.serviceWorker.getRegistration());
  if (worker && worker.sync) worker.sync.register("rifflebook-send").catch(() => {});
}

async function next() {
  if (location.hash) history.replaceState(null, "", path);
  const fresh = editing && lists.form ? begun() : content.following(lists, path, draft);
  await keeping.hold(fresh.uuid);
  open(fresh);
  by("save").textContent = "Save";
  await waiting.list();
  window.scrollTo({ top: 0 });
}

async function save(decided) {
  busy(true);
  try {
    await keep();
    if (!navigator.onLine) return await wait();
    const checked = await postSheet("/entry/check");
    if (checked.status !== 200) return findings.show("This cannot be saved", checked.told);
    const { refused, flagged } = checked.told;
    const remarks = JSON.stringify(flagged);
    if (refused.length || (flagged.length && seen !== remarks && decided !== true)) {
      findings.show("Look at this first", checked.told);
      seen = refused.length ? "" : remarks;
      if (seen) by("save").textContent = "Save with these remarks";
      return undefined;
    }
    const answer = await postSheet("/entry/save");
    draft = { ...drafts.settled(draft, answer), sheet: sheet() };
    await drafts.put(draft);
    keeping.forgetMirror(path);
    if (draft.status !== "sent") return showAnswer(draft);
    const own = "/placements/" + address(draft.cells.placement_id);
    if (editing) return location.assign(own);
    const link = element("a", { href: own, textContent: draft.cells.placement_id });
    await next();
    say("Stored: ", false, link, ".");
    return undefined;
  } catch (problem) {
    if (problem instanceof NoAnswer) return await wait();
    say(faultWords(problem), true);
    return undefined;
  } finally {
    busy(false);
  }
}

by("check").addEventListener("click", check);
form.addEventListener("submit", (event) => {
  event.preventDefault();
  save();
});

window.addEventListener("online", () => {
  connection();
  waiting.sendAll();
  place.show();
  map.fill();
});
window.addEventListener("offline", connection);
setInterval(waiting.sendAll, 30000);

map.fill();
if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/entry-worker.js").catch(() => {});
  navigator.serviceWorker.addEventListener("message", () => waiting.list());
}
/* A place in the address begins a draft of its own; what was begun before is left as it is. */
async function beginThere() {
  const fresh = content.empty(lists, path, {});
  if (given.get("stream")) fresh.cells.stream_name = given.get("stream");
  content.addPoint(fresh, [Number(given.get("longitude")), Number(given.get("latitude"))]);
  history.replaceState(null, "", path);
  await keeping.hold(fresh.uuid);
  return fresh;
}

const there =
  !editing && ["longitude", "latitude"].every((name) => Number.parseFloat(given.get(name)) < 181);
(there ? beginThere() : keeping.find(path, begun)).then(async (found) => {
  open(found);
  connection();
  await waiting.list().catch(() => {});
  form.dataset.ready = "yes";
  await waiting.sendAll();
});
