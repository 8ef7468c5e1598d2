/* Checking and saving what is entered, setting gear in the water and lifting it; without a
   connection it waits on the device. */
import { element } from "../assets/elements.js";
import { NoAnswer } from "../assets/fetching.js";
import { checkSheet } from "./entry_checks.js";
import * as content from "./entry_content.js";
import * as drafts from "./entry_drafts.js";
import {
  NEW,
  by,
  editing,
  entry,
  faultWords,
  form,
  lists,
  method,
  path,
  say,
  sheet,
  zone,
} from "./entry_form.js";
import * as keeping from "./entry_keeping.js";
import { keepForGood, withRoom } from "./entry_storage.js";
import { localNow, offsetNow } from "./entry_times.js";
import { address } from "./entry_waiting.js";

/** `keep` keeps the draft, `open` shows another one, `begun` makes one for a stored record;
    `carried` is the question of the page before, which links take along. */
export function makeSaving({ fields, findings, waiting, gear, keep, open, begun, carried }) {
  function showAnswer(one) {
    if (one.status === "taken") {
      const number = one.told.next_number;
      return findings.showTaken(one.cells.placement_id, number, () => {
        entry.draft.cells.placement_id = number;
        entry.draft.base = entry.draft.seen = null;
        fields.fill();
        if (content.standing(entry.draft)) setNow();
        else save(true);
      });
    }
    if (one.status === "conflict" && one.told.form)
      return findings.showConflict(one.told, (theirs) => {
        entry.draft = content.resolve(entry.draft, one.told, theirs);
        open(entry.draft);
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
    const [at] = content.points(entry.draft);
    const told = checkSheet(sheet(), { rules: lists.rules, method: method(), zone: zone(), at });
    const remarks = JSON.stringify(told.flagged);
    if (!told.refused.length && (!told.flagged.length || entry.seen === remarks)) return null;
    entry.seen = told.refused.length ? "" : remarks;
    return told;
  }

  function showOwn(told) {
    findings.show("Look at this first", told);
    if (entry.seen) by("save").textContent = "Save with these remarks";
  }

  // Gear in the water -------------------------------------------------------------------------
  async function setNow() {
    entry.draft.cells.outcome = content.IN_WATER;
    entry.draft.cells.set_at = entry.draft.cells.set_at || localNow(zone()) + offsetNow(zone());
    const own = ownFindings();
    entry.seen = "";
    if (own && own.refused.length) {
      delete entry.draft.cells.outcome;
      return findings.show("Look at this first", own);
    }
    entry.draft.sheet = sheet();
    const done = entry.draft;
    keepForGood();
    try {
      await store("waiting");
    } catch (problem) {
      delete entry.draft.cells.outcome;
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
    if (by("save").disabled) return say("Lift " + name + " once this is saved.", true);
    if (!(await keeping.hold(one.uuid))) return say(name + " is open in another window.", true);
    const cells = { ...one.cells, lifted_at: localNow(zone()) + offsetNow(zone()) };
    delete cells.outcome;
    by("standing").open = false;
    entry.draft = { ...one, cells, lifting: true, status: "draft" };
    await keep();
    open(entry.draft);
    by("lifting").scrollIntoView({ block: "start" });
    return say("");
  }

  /** Not lifted after all: it stands in the water as it did. */
  async function putBack() {
    delete entry.draft.cells.lifted_at;
    entry.draft.cells.outcome = content.IN_WATER;
    entry.draft.lifting = false;
    entry.draft.sheet = sheet();
    await store(entry.draft.base ? "standing" : "waiting");
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
      else if (told.refused.length || told.flagged.length)
        findings.show("Look at this first", told);
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
      entry.seen = "";
      return null;
    } finally {
      busy(false);
    }
  }

  function busy(on) {
    by("check").disabled = by("save").disabled = on;
    form.setAttribute("aria-busy", String(on));
  }

  /** Do something while nothing can be typed, which would be neither sent nor kept. */
  async function frozen(act) {
    form.inert = true;
    try {
      return await act();
    } finally {
      form.inert = false;
    }
  }

  /** Keep the draft as one that is finished on this page. */
  async function store(status) {
    entry.draft.changed = Date.now();
    entry.draft.status = status;
    entry.draft.account = lists.account;
    await withRoom(() => drafts.put(entry.draft));
    keeping.forgetMirror(path);
  }

  /* Without a connection the page checks what it can; with the remarks seen it is kept all the
     same. */
  function waitChecked() {
    const own = ownFindings();
    return own ? showOwn(own) : wait();
  }

  async function wait() {
    entry.draft.sheet = sheet();
    await store("waiting");
    const id = entry.draft.cells.placement_id;
    await next();
    say(id + " is kept on this device. It is checked and sent when there is a connection.");
    const worker = navigator.serviceWorker && (await navigator.serviceWorker.getRegistration());
    if (worker && worker.sync) worker.sync.register("rifflebook-send").catch(() => {});
  }

  async function next() {
    if (location.hash) history.replaceState(null, "", path + carried);
    const fresh = editing && lists.form ? begun([]) : content.following(lists, path, entry.draft);
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
      const checked = await frozen(() => postSheet("/entry/check"));
      if (checked.status !== 200) return findings.show("This cannot be saved", checked.told);
      const { refused, flagged } = checked.told;
      const remarks = JSON.stringify(flagged);
      if (refused.length || (flagged.length && entry.seen !== remarks && decided !== true)) {
        findings.show("Look at this first", checked.told);
        entry.seen = refused.length ? "" : remarks;
        if (entry.seen) by("save").textContent = "Save with these remarks";
        return undefined;
      }
      const answer = await frozen(() => postSheet("/entry/save"));
      entry.draft = drafts.settled({ ...entry.draft, sheet: sheet() }, answer);
      await drafts.put(entry.draft);
      keeping.forgetMirror(path);
      if (entry.draft.status !== "sent") return showAnswer(entry.draft);
      const own = "/placements/" + address(entry.draft.cells.placement_id) + carried;
      if (editing) return location.assign(own);
      const link = element("a", { href: own, textContent: entry.draft.cells.placement_id });
      const kept = findings.words(entry.draft.told.kept || []);
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

  return { showAnswer, lift };
}
