/* The entry form: fields of the chosen method, stored at every touch, checked, saved or left to
   wait. */
import { element } from "../assets/elements.js";
import { NoAnswer } from "../assets/fetching.js";
import { makeArea } from "./entry_area.js";
import { checkSheet } from "./entry_checks.js";
import * as content from "./entry_content.js";
import * as drafts from "./entry_drafts.js";
import { makeFindings } from "./entry_findings.js";
import * as keeping from "./entry_keeping.js";
import { makeMap } from "./entry_map.js";
import { makePlace } from "./entry_place.js";
import { catches, lengths } from "./entry_rows.js";
import { localNow, offsetNow, parted } from "./entry_times.js";
import { makeStanding } from "./entry_standing.js";
import { keepForGood, watchRoom, withRoom } from "./entry_storage.js";
import { drawTiles } from "./entry_tiles.js";
import { address, makeWaiting } from "./entry_waiting.js";

const lists = JSON.parse(document.getElementById("lists").textContent);
const NEW = "/placements/new";
const READ = "rifflebook-cautions:"; // and a method: the day its cautions were read
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
const place = makePlace({
  draftNow: () => draft,
  map,
  by,
  add: addPoint,
  tolerance_m: lists.tolerance_m,
});
const findings = makeFindings(form, by);
const gear = makeStanding({ lists, page: NEW, by, lift });
const waiting = makeWaiting({
  draftNow: () => draft,
  methods: lists.methods,
  by,
  say,
  listed: () => gear.list(),
});
const method = () => lists.methods[draft.cells.method];
const sheet = () => content.sheet(draft, method());
const begun = (stored) =>
  editing && lists.form
    ? content.ofStored(lists, path, lists.form)
    : content.ofTheDay(lists, path, stored);
const given = new URLSearchParams(location.search);
const OWN = ["lift", "longitude", "latitude", "stream_name"];
// What else the address has is the question of the page before, which links take along.
const question = new URLSearchParams([...given].filter(([name]) => !OWN.includes(name)));
const carried = String(question) && "?" + question;

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
  return withRoom(() => keeping.keep(draft)).then(
    () => {
      watchRoom(by("storage"));
      return waiting.list();
    },
    (problem) => {
      const full = problem && problem.name === "QuotaExceededError";
      say(
        full
          ? "This device is full: what you enter is not kept. Leave this page open, free some " +
              "room, and save again."
          : "This browser keeps nothing here: save before you leave.",
        true,
      );
    },
  );
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
  drawTiles(by("tiles"), draft, lists, () => {
    fillFields();
    arrange();
    options.redraw();
  });
  catches(by("catches"), draft.catches, options);
  lengths(by("lengths"), draft.lengths, options);
  by("length-count").textContent = draft.lengths.length ? "(" + draft.lengths.length + ")" : "";
}

function arrange() {
  const own = method();
  by("survey-choice").hidden = Boolean(draft.cells.survey);
  form
    .querySelectorAll("[data-field]")
    .forEach((field) => (field.hidden = !content.shows(draft, own, field.dataset.field)));
  by("effort-hint").hidden = Boolean(own);
  const shapes = own ? own.geometry : ["point", "ends"];
  form.querySelectorAll("[data-shape]").forEach((one) => {
    one.hidden = !shapes.includes(one.dataset.shape) && one.dataset.shape !== draft.shape;
  });
  by("shape-choice").hidden = shapes.length < 2 && shapes.includes(draft.shape);
  by("shape-hint").textContent = by("shape-choice").hidden ? "" : HINTS[draft.shape];
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
  const lifting = Boolean(draft.lifting);
  document.body.classList.toggle("lifting", lifting);
  by("lifting").hidden = !lifting;
  if (lifting)
    by("lifting-line").textContent =
      draft.cells.placement_id +
      ", " +
      (own ? own.label : draft.cells.method) +
      ", set " +
      draft.cells.set_at.slice(0, 16).replace("T", " ") +
      ", lifted " +
      (draft.cells.lifted_at || "").slice(11, 16);
  const settable = !lifting && !editing && own && own.passive && !draft.cells.outcome;
  by("set-now").hidden = !settable || Boolean(draft.cells.lifted_at);
  by("record").hidden = draft.shape !== "track";
  const words = { nil: "Save: nothing caught", lost: "Save: lost", disturbed: "Save: disturbed" };
  if (!seen) by("save").textContent = words[draft.cells.outcome] || "Save";
  by("catch-part").hidden = !content.rowsCount(draft);
  const aside = !content.rowsCount(draft) && draft.catches.some((row) => row.species || row.count);
  by("outcome-hint").textContent = aside
    ? "The catch rows entered before are put aside; they are not saved with this outcome."
    : {
        lost: "Lost gear counts neither as looking nor as effort.",
        disturbed: "A species not caught here will not count as looked for.",
      }[draft.cells.outcome] || "";
}

/* Open until they were read once a day; the heading stays, whatever is folded. */
function foldCautions() {
  const own = draft.cells.method;
  if (!own || by("cautions").dataset.of === own) return;
  by("cautions").dataset.of = own;
  by("cautions").open = localStorage.getItem(READ + own) !== new Date().toDateString();
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
  if (["refused", "conflict", "taken"].includes(draft.status)) showAnswer(draft);
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
  if (field.name === "shape") {
    content.reshape(draft, field.value);
    fillFields();
  } else draft.cells[field.name] = field.value;
  if (field.name === "outcome") {
    draft.nothing_caught = field.value === "nil"; // saving it says so
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
by("cautions-read").addEventListener("click", () => {
  localStorage.setItem(READ + draft.cells.method, new Date().toDateString());
  by("cautions").open = false;
});
by("locate").addEventListener("click", place.locate);
by("record").addEventListener("click", place.record);
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
  if (one.status === "taken") {
    const number = one.told.next_number;
    return findings.showTaken(one.cells.placement_id, number, () => {
      draft.cells.placement_id = number;
      draft.base = draft.seen = null;
      fillFields();
      if (content.standing(draft)) setNow();
      else save(true);
    });
  }
  if (one.status === "conflict" && one.told.form)
    return findings.showConflict(one.told, (theirs) => {
      draft = content.resolve(draft, one.told, theirs);
      open(draft);
      save(true);
    });
  return findings.show("Look at this first", one.told || {});
}

async function postSheet(url) {
  const lent = await drafts.lend();
  by("session").hidden = lent.may_edit;
  if (!lent.may_edit) throw new drafts.SessionEnded("the session has ended");
  return drafts.post(url, sheet(), lent.token);
}

/** What is wrong as far as the page can tell by itself; null where nothing is to be looked at. */
function ownFindings() {
  const [at] = content.points(draft);
  const told = checkSheet(sheet(), { rules: lists.rules, method: method(), zone: zone(), at });
  const remarks = JSON.stringify(told.flagged);
  if (!told.refused.length && (!told.flagged.length || seen === remarks)) return null;
  seen = told.refused.length ? "" : remarks;
  return told;
}

function showOwn(told) {
  findings.show("Look at this first", told);
  if (seen) by("save").textContent = "Save with these remarks";
}

// Gear in the water -------------------------------------------------------------------------
async function setNow() {
  draft.cells.outcome = content.IN_WATER;
  draft.cells.set_at = draft.cells.set_at || localNow(zone()) + offsetNow(zone());
  const own = ownFindings();
  seen = "";
  if (own && own.refused.length) {
    delete draft.cells.outcome;
    return findings.show("Look at this first", own);
  }
  draft.sheet = sheet();
  const done = draft;
  keepForGood();
  try {
    await store("waiting");
  } catch (problem) {
    delete draft.cells.outcome;
    return keep().then(() => say(faultWords(problem), true));
  }
  await next();
  const again = element("button", { type: "button", textContent: "Same again" });
  again.addEventListener("click", () => sameAgain(done));
  say(done.cells.placement_id + " is in the water. ", false, again);
  waiting.sendAll().then(gear.refresh);
  return undefined;
}

async function sameAgain(done) {
  const fresh = content.sameAgain(lists, NEW, done, await gear.taken());
  await keeping.hold(fresh.uuid);
  open(fresh);
  keep();
  say("Same again: " + fresh.cells.placement_id + ". Its position and time are still to come.");
}

async function lift(one) {
  const name = one.cells.placement_id;
  if (!(await keeping.hold(one.uuid))) return say(name + " is open in another window.", true);
  const cells = { ...one.cells, lifted_at: localNow(zone()) + offsetNow(zone()) };
  delete cells.outcome;
  by("standing").open = false;
  draft = { ...one, cells, lifting: true, status: "draft" };
  await keep();
  open(draft);
  by("lifting").scrollIntoView({ block: "start" });
  return say("");
}

/** Not lifted after all: it stands in the water as it did. */
async function putBack() {
  delete draft.cells.lifted_at;
  draft.cells.outcome = content.IN_WATER;
  draft.lifting = false;
  draft.sheet = sheet();
  await store(draft.base ? "standing" : "waiting");
  await next();
}
by("set-now").addEventListener("click", setNow);
by("put-back").addEventListener("click", putBack);
by("show-setting").addEventListener("click", () => document.body.classList.remove("lifting"));

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
      problem instanceof NoAnswer || problem instanceof drafts.SessionEnded
        ? "No connection: the rest is checked when it is sent."
        : faultWords(problem),
      true,
    );
    const own = ownFindings();
    if (own) findings.show("Look at this first", own);
    seen = "";
    return null;
  } finally {
    busy(false);
  }
}

function busy(on) {
  by("check").disabled = by("save").disabled = on;
  form.setAttribute("aria-busy", String(on));
}

/** Keep the draft as one that is finished on this page. */
async function store(status) {
  draft.changed = Date.now();
  draft.status = status;
  draft.account = lists.account;
  await withRoom(() => drafts.put(draft));
  keeping.forgetMirror(path);
}

/* Without a connection the page checks what it can; with the remarks seen it is kept all the
   same. */
function waitChecked() {
  const own = ownFindings();
  return own ? showOwn(own) : wait();
}

async function wait() {
  draft.sheet = sheet();
  await store("waiting");
  const id = draft.cells.placement_id;
  await next();
  say(id + " is kept on this device. It is checked and sent when there is a connection.");
  const worker = navigator.serviceWorker && (await navigator.serviceWorker.getRegistration());
  if (worker && worker.sync) worker.sync.register("rifflebook-send").catch(() => {});
}

async function next() {
  if (location.hash) history.replaceState(null, "", path + carried);
  const fresh = editing && lists.form ? begun([]) : content.following(lists, path, draft);
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
    if (!navigator.onLine) return await waitChecked();
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
    draft = drafts.settled({ ...draft, sheet: sheet() }, answer);
    await drafts.put(draft);
    keeping.forgetMirror(path);
    if (draft.status !== "sent") return showAnswer(draft);
    const own = "/placements/" + address(draft.cells.placement_id) + carried;
    if (editing) return location.assign(own);
    const link = element("a", { href: own, textContent: draft.cells.placement_id });
    const kept = findings.words(draft.told.kept || []);
    await next();
    say("Stored: ", false, link, kept ? ", with what somebody else changed: " + kept + "." : ".");
    return undefined;
  } catch (problem) {
    if (problem instanceof NoAnswer || problem instanceof drafts.SessionEnded)
      return await waitChecked();
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
  waiting.sendAll().then(gear.refresh);
  place.show();
  map.fill();
});
window.addEventListener("offline", connection);
setInterval(() => waiting.sendAll().then(gear.refresh), 30000);

map.fill();
makeArea({ drawn: map, say: (words) => (by("locate-state").textContent = words) });
if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/entry-worker.js").catch(() => {});
  navigator.serviceWorker.addEventListener("message", () => waiting.list());
}
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

/* A place in the address begins a draft of its own; what was begun before is left as it is. */
async function beginThere() {
  const fresh = content.empty(lists, path, {});
  if (given.get("stream_name")) fresh.cells.stream_name = given.get("stream_name");
  content.addPoint(fresh, [Number(given.get("longitude")), Number(given.get("latitude"))]);
  history.replaceState(null, "", path + carried);
  await keeping.hold(fresh.uuid);
  return fresh;
}

const there =
  !editing && ["longitude", "latitude"].every((name) => Number.parseFloat(given.get(name)) < 181);
surveyChoice();
(there ? beginThere() : keeping.find(path, begun)).then(async (found) => {
  open(found);
  connection();
  await waiting.list().catch(() => {});
  await watchRoom(by("storage"));
  form.dataset.ready = "yes";
  await waiting.sendAll();
  await gear.refresh();
  const wanted = given.get("lift") && (await gear.find(given.get("lift")));
  if (given.get("lift")) history.replaceState(null, "", path + carried);
  if (wanted) await lift(wanted);
});
