/* The entry form: fields of the chosen method, stored at every touch, checked, saved or left to
   wait. */
import { makeArea } from "./entry_area.js";
import * as content from "./entry_content.js";
import { makeFields } from "./entry_fields.js";
import { makeFindings } from "./entry_findings.js";
import { NEW, by, editing, entry, form, lists, path, say } from "./entry_form.js";
import * as keeping from "./entry_keeping.js";
import { makeMap } from "./entry_map.js";
import { makePlace } from "./entry_place.js";
import { makeSaving } from "./entry_saving.js";
import { makeStanding } from "./entry_standing.js";
import { watchRoom, withRoom } from "./entry_storage.js";
import { makeWaiting } from "./entry_waiting.js";

const map = makeMap(lists, addPoint);
const place = makePlace({
  draftNow: () => entry.draft,
  map,
  by,
  add: addPoint,
  tolerance_m: lists.tolerance_m,
});
const findings = makeFindings(form, by);
const gear = makeStanding({ lists, page: NEW, by, lift: (one) => saving.lift(one) });
const waiting = makeWaiting({
  draftNow: () => entry.draft,
  methods: lists.methods,
  by,
  say,
  listed: () => gear.list(),
});
const begun = (stored) =>
  editing && lists.form
    ? content.ofStored(lists, path, lists.form)
    : content.ofTheDay(lists, path, stored);
const given = new URLSearchParams(location.search);
const OWN = ["lift", "longitude", "latitude", "stream_name"];
// What else the address has is the question of the page before, which links take along.
const question = new URLSearchParams([...given].filter(([name]) => !OWN.includes(name)));
const carried = String(question) && "?" + question;
const fields = makeFields({ touched, placed: () => place.show() });
const saving = makeSaving({ fields, findings, waiting, gear, keep, open, begun, carried });

function addPoint(point) {
  content.addPoint(entry.draft, point);
  fields.fill();
  touched();
  place.show();
}

function keep() {
  entry.draft.changed = Date.now();
  entry.draft.status = "draft";
  entry.draft.account = lists.account;
  return withRoom(() => keeping.keep(entry.draft)).then(
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

function connection() {
  document.body.classList.toggle("offline", !navigator.onLine);
  if (!navigator.onLine)
    say("No connection. What you enter is kept on this device and sent later.");
  else if (by("state").textContent.startsWith("No connection")) say("");
}

function touched() {
  entry.seen = "";
  by("save").textContent = "Save";
  keep();
}

function open(found) {
  entry.draft = found;
  fields.fill();
  fields.drawRows();
  fields.arrange();
  place.show();
  findings.hide();
  const list = content.points(entry.draft);
  if (list.length) map.look(list);
  if (["refused", "conflict", "taken"].includes(entry.draft.status)) saving.showAnswer(entry.draft);
}

by("locate").addEventListener("click", place.locate);
by("record").addEventListener("click", place.record);
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
  navigator.serviceWorker.addEventListener("message", ({ data }) => waiting.tell(data));
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
(there ? beginThere() : keeping.find(path, begun)).then(async (found) => {
  open(found);
  form.inert = false;
  connection();
  await waiting.list().catch(() => {});
  await watchRoom(by("storage"));
  form.dataset.ready = "yes";
  await waiting.sendAll();
  await gear.refresh();
  const wanted = given.get("lift") && (await gear.find(given.get("lift")));
  if (given.get("lift")) history.replaceState(null, "", path + carried);
  if (wanted) await saving.lift(wanted);
});
