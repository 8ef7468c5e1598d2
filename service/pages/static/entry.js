/* The entry form: fields of the chosen method, kept at every touch, checked, saved or left to wait. */
(function (root) {
  "use strict";
  const drafts = root.RifflebookDrafts;
  const { element, catches, lengths } = root.RifflebookRows;
  const lists = JSON.parse(document.getElementById("lists").textContent);
  const NEW = "/placements/new";
  const MIRROR = "rifflebook-entry:";
  const KEPT_OVER = ["survey", "crew", "permit", "method"]; // from one placement to the next
  const BY_METHOD = [
    "gear_count", "lifts", "minutes", "passes", "wetted_width_m", "area_m2", "mesh_mm", "bait",
    "trap_air_space", "operator_certificate", "machine_check", "stretch_length_m", "stretch_anchor",
  ];
  const PLACE = [
    "longitude", "latitude", "end_longitude", "end_latitude", "easting", "northing",
    "end_easting", "end_northing", "geometry", "crs",
  ];
  const HINTS = {
    point: "Tap the map, or use the position of this device.",
    ends: "First the lower end, where work began; then the upper end.",
    track: "Tap along the way, from the lower end.",
    area: "Tap the corners in order, three or more.",
  };
  const STATUS = {
    draft: "not finished", waiting: "waits for a connection", refused: "needs mending",
    conflict: "changed by somebody else meanwhile", sent: "stored",
  };
  const form = document.getElementById("entry");
  const by = (id) => document.getElementById(id);
  const path = location.pathname.replace(/\/$/, "");
  const editing = path !== NEW;
  let draft = null;
  let seen = ""; // the remarks that were shown, so that saving again means it
  let asking = 0;
  let letGo = null;

  // A draft -----------------------------------------------------------------------------------
  function empty(over) {
    const uuid = drafts.newId();
    const day = localNow(lists.timezone).slice(0, 10).replaceAll("-", "");
    return {
      uuid, page: path, account: lists.account, status: "draft", base: null, had: [], shape: "point",
      cells: { placement_id: day + "-" + uuid.slice(0, 8), ...over },
      catches: [], lengths: [], nothing_caught: false, changed: 0,
    };
  }

  function ofStored(stored) {
    return {
      ...empty({}), cells: { ...stored.placement }, catches: stored.catches.map((row) => ({ ...row })),
      lengths: stored.lengths.map((row) => ({ ...row })), nothing_caught: stored.nothing_caught,
      base: stored.base, had: Object.keys(stored.placement), shape: shapeOf(stored.placement),
    };
  }

  function shapeOf(cells) {
    if (/^LINESTRING/i.test(cells.geometry || "")) return "track";
    if (/^POLYGON/i.test(cells.geometry || "")) return "area";
    return cells.end_longitude || cells.end_easting ? "ends" : "point";
  }

  function keep() {
    draft.changed = Date.now();
    draft.status = "draft";
    draft.account = lists.account;
    try {
      localStorage.setItem(MIRROR + path, JSON.stringify(draft)); // at once, whatever comes next
    } catch (_) { /* full or forbidden: the database below keeps it */ }
    return drafts.put(draft).then(listDrafts, () => say("This browser keeps nothing here: save before you leave.", true));
  }

  function forgetMirror() {
    try {
      localStorage.removeItem(MIRROR + path);
    } catch (_) { /* nothing was kept */ }
  }

  async function find() {
    const wanted = new URLSearchParams(location.hash.slice(1)).get("draft");
    let held = [];
    try {
      held = await drafts.all();
    } catch (_) { /* told when something is to be kept */ }
    try {
      const mirrored = JSON.parse(localStorage.getItem(MIRROR + path) || "null");
      const same = mirrored && held.find((one) => one.uuid === mirrored.uuid);
      if (mirrored && (!same || same.changed < mirrored.changed)) {
        held = [mirrored, ...held.filter((one) => one.uuid !== mirrored.uuid)];
      }
    } catch (_) { /* not ours */ }
    const own = wanted
      ? held.filter((one) => one.uuid === wanted)
      : held.filter((one) => one.page === path && one.status === "draft");
    for (const one of own.sort((a, b) => b.changed - a.changed)) if (await hold(one.uuid)) return one;
    const begun = editing && lists.form ? ofStored(lists.form) : empty({});
    await hold(begun.uuid);
    return begun;
  }

  /* Two windows never write into one draft. */
  function hold(uuid) {
    if (letGo) letGo();
    letGo = null;
    if (!navigator.locks) return Promise.resolve(true);
    return new Promise((told) => {
      navigator.locks.request("rifflebook-draft-" + uuid, { ifAvailable: true }, (lock) => {
        told(Boolean(lock));
        return lock ? new Promise((free) => (letGo = free)) : undefined;
      });
    });
  }

  // What is sent ------------------------------------------------------------------------------
  const method = () => lists.methods[draft.cells.method];
  const rowsCount = () => ["caught", "disturbed"].includes(draft.cells.outcome) ||
    (draft.cells.outcome === "unrecorded" && draft.catches.length > 0);

  function asks(name) {
    if (!BY_METHOD.includes(name) || draft.had.includes(name)) return true;
    if (name.startsWith("stretch_") && draft.shape !== "point") return false;
    return Boolean(method() && method().fields.includes(name));
  }

  function filled(row) {
    return Object.fromEntries(Object.entries(row).filter(([, value]) => value));
  }

  function sheet() {
    const placement = Object.fromEntries(
      Object.entries(filled(draft.cells)).filter(([name]) => asks(name)),
    );
    const rows = (list, tell) => list.map(filled).filter(tell);
    return {
      placement, base: draft.base, nothing_caught: draft.nothing_caught,
      catches: rowsCount() ? rows(draft.catches, (row) => row.species || row.count || row.notes) : [],
      lengths: rowsCount() ? rows(draft.lengths, (row) => row.length_mm || row.weight_g) : [],
    };
  }

  // Place -------------------------------------------------------------------------------------
  function degrees() {
    return !draft.cells.crs || /^EPSG:4326$/i.test(draft.cells.crs);
  }

  function points() {
    const { cells } = draft;
    if (!degrees()) return [];
    if (cells.geometry) {
      const pairs = cells.geometry.match(/-?\d+(?:\.\d+)?(?:e-?\d+)?\s+-?\d+(?:\.\d+)?(?:e-?\d+)?/gi) || [];
      const list = pairs.map((pair) => pair.split(/\s+/).map(Number));
      return draft.shape === "area" && list.length > 3 ? list.slice(0, -1) : list;
    }
    const pair = (x, y) => (cells[x] && cells[y] ? [[Number(cells[x]), Number(cells[y])]] : []);
    return [...pair("longitude", "latitude"), ...pair("end_longitude", "end_latitude")]
      .filter((one) => one.every(Number.isFinite) && Math.abs(one[1]) <= 90);
  }

  function place(list) {
    PLACE.forEach((name) => delete draft.cells[name]);
    if (list.length) draft.cells.crs = "EPSG:4326";
    const wkt = (ring) => ring.map((one) => one.join(" ")).join(", ");
    if (draft.shape === "track" && list.length > 1) draft.cells.geometry = "LINESTRING (" + wkt(list) + ")";
    else if (draft.shape === "area" && list.length > 2) draft.cells.geometry = "POLYGON ((" + wkt([...list, list[0]]) + "))";
    else if (draft.shape === "area" && list.length > 1) draft.cells.geometry = "LINESTRING (" + wkt(list) + ")";
    else if (list.length) {
      [draft.cells.longitude, draft.cells.latitude] = list[0].map(String);
      if (draft.shape === "ends" && list[1]) [draft.cells.end_longitude, draft.cells.end_latitude] = list[1].map(String);
    }
  }

  function addPoint(point) {
    const list = points();
    if (draft.shape === "point") place([point]);
    else if (draft.shape === "ends") place(list.length === 1 ? [list[0], point] : [point]);
    else place([...list, point]);
    fillFields();
    touched();
    showPlace();
  }

  function showPlace() {
    const list = points();
    map.show(list, draft.shape, Number(draft.cells.position_uncertainty_m) || 0);
    by("undo-point").hidden = !list.length;
    if (!list.length) by("locate-state").textContent = ""; // it spoke of a point that is gone
    nameReach(list[0]);
  }

  async function nameReach(at) {
    const turn = ++asking;
    map.showSnap(null, null);
    const told = by("reach");
    if (!at) {
      told.textContent = degrees() ? "No position yet." : "Position in " + draft.cells.crs + ": its reach is named when it is stored.";
      return;
    }
    const shown = at[1].toFixed(5) + ", " + at[0].toFixed(5) + ": ";
    const query = new URLSearchParams({ longitude: at[0], latitude: at[1] });
    const uncertainty = Number(draft.cells.position_uncertainty_m);
    if (uncertainty > 0) query.set("uncertainty", uncertainty);
    if (draft.cells.stream_name) query.set("stream", draft.cells.stream_name);
    try {
      if (!navigator.onLine) throw new TypeError("no connection");
      const answer = await fetch("/entry/nearest?" + query, { headers: { Accept: "application/json" } });
      const found = await answer.json();
      if (turn !== asking) return;
      if (!answer.ok) throw new Error(found.detail);
      told.textContent = shown + reachWords(found);
      told.classList.toggle("doubt", Boolean(found.ambiguous || (found.has_network && !found.reach_id)));
      if (found.snapped) map.showSnap(at, found.snapped);
    } catch (problem) {
      if (turn !== asking) return;
      told.textContent = shown + (problem instanceof TypeError ? "the reach is named once there is a connection." : problem.message);
    }
  }

  function reachWords(found) {
    const where = found.catchment ? " Catchment " + found.catchment + "." : "";
    if (!found.has_network) return "no stream network is loaded." + where;
    if (!found.reach_id) return "no reach within " + Math.round(found.tolerance_m) + " m." + where;
    const name = (id, stream) => "reach " + id + (stream ? " (" + stream + ")" : "");
    const doubt = found.ambiguous
      ? " Or " + name(found.ambiguous_with, found.ambiguous_stream) + ", about as near: the name of the water would settle it."
      : "";
    return name(found.reach_id, found.stream_name) + ", " + found.offset_m + " m away." + doubt + where;
  }

  function locate() {
    const told = by("locate-state");
    if (!navigator.geolocation || !root.isSecureContext) {
      told.textContent = "This address cannot ask for a position: it needs HTTPS. Tap the map instead.";
      return;
    }
    told.textContent = "Asking the device …";
    navigator.geolocation.getCurrentPosition(
      (found) => {
        const { longitude, latitude, accuracy } = found.coords;
        if (!points().length || draft.shape === "point") draft.cells.position_uncertainty_m = String(Math.max(1, Math.round(accuracy)));
        addPoint([Number(longitude.toFixed(6)), Number(latitude.toFixed(6))]);
        map.look(points());
        told.textContent = "Position taken, good to about " + Math.round(accuracy) + " m.";
      },
      (problem) => {
        told.textContent = problem.code === 1
          ? "The device does not lend its position. Allow it, or tap the map."
          : "The device finds no position here. Try again, or tap the map.";
      },
      { enableHighAccuracy: true, timeout: 20000, maximumAge: 5000 },
    );
  }

  // Times -------------------------------------------------------------------------------------
  const zone = () => lists.zones[draft.cells.survey] || lists.timezone;

  function localNow(timeZone) {
    return new Date().toLocaleString("sv-SE", { timeZone }).replace(" ", "T").slice(0, 16);
  }

  function offsetNow(timeZone) {
    const local = Date.parse(localNow(timeZone) + "Z");
    const minutes = Math.round((local - Math.floor(Date.now() / 60000) * 60000) / 60000);
    const two = (value) => String(value).padStart(2, "0");
    const far = Math.abs(minutes);
    return (minutes < 0 ? "-" : "+") + two(Math.floor(far / 60)) + ":" + two(far % 60);
  }

  function parted(text) {
    const found = /^(\d{4}-\d\d-\d\d)(?:[T ](\d\d:\d\d)(:\d\d(?:\.\d+)?)?)?(Z|[+-]\d\d:?\d\d)?$/.exec(text || "");
    if (!found) return ["", ""];
    const seconds = found[3] && Number(found[3].slice(1)) ? found[3] : "";
    return [found[1] + "T" + (found[2] || "00:00") + seconds, found[4] || ""];
  }

  // The page ----------------------------------------------------------------------------------
  function say(words, trouble, ...more) {
    by("state").replaceChildren(words, ...more);
    by("state").classList.toggle("trouble", Boolean(trouble));
  }

  function connection() {
    document.body.classList.toggle("offline", !navigator.onLine);
    if (!navigator.onLine) say("No connection. What you enter is kept on this device and sent later.");
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
    const options = { lists, passes, caught, changed: touched, redraw: () => { touched(); drawRows(); } };
    catches(by("catches"), draft.catches, options);
    lengths(by("lengths"), draft.lengths, options);
    by("length-count").textContent = draft.lengths.length ? "(" + draft.lengths.length + ")" : "";
  }

  function arrange() {
    const own = method();
    form.querySelectorAll("[data-field]").forEach((field) => (field.hidden = !asks(field.dataset.field)));
    by("effort-hint").hidden = Boolean(own);
    const shapes = own ? own.geometry : ["point", "ends"];
    form.querySelectorAll("[data-shape]").forEach((one) => {
      one.hidden = !shapes.includes(one.dataset.shape) && one.dataset.shape !== draft.shape;
    });
    by("shape-choice").hidden = shapes.length < 2 && shapes.includes(draft.shape);
    by("shape-hint").textContent = HINTS[draft.shape];
    by("zone").textContent = "Times of " + zone() + (own && own.hours === "night" ? "; this gear is used at night." : own && own.hours === "day" ? "; this gear is used by day." : ".");
    by("cautions").hidden = !own;
    if (own) by("cautions").querySelector("ul").replaceChildren(...own.cautions.map((one) => element("li", { textContent: one })));
    const nil = draft.cells.outcome === "nil";
    by("nil-confirm").hidden = !nil;
    by("catch-part").hidden = !rowsCount();
    const aside = !rowsCount() && draft.catches.some((row) => row.species || row.count);
    by("outcome-hint").textContent = aside
      ? "The catch rows entered before are put aside; they are not saved with this outcome."
      : { lost: "Lost gear counts neither as looking nor as effort.", disturbed: "A species not caught here will not count as looked for." }[draft.cells.outcome] || "";
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
    showPlace();
    by("findings").hidden = true;
    if (points().length) map.look(points());
    if (draft.status === "refused" || draft.status === "conflict") showAnswer(draft);
  }

  form.addEventListener("input", (event) => {
    const field = event.target;
    if (field.dataset.time || field.dataset.offset) {
      const name = field.dataset.time || field.dataset.offset;
      const offset = form.querySelector(`[data-offset=${name}]`);
      if (field.dataset.time) offset.value = ""; // the zone of the survey tells
      const time = form.querySelector(`[data-time=${name}]`).value;
      draft.cells[name] = time ? time + offset.value.trim() : "";
      touched();
      return;
    }
    if (!field.name) return;
    if (field.name === "nothing_caught") draft.nothing_caught = field.checked;
    else if (field.name === "shape") {
      const list = points();
      draft.shape = field.value;
      place(field.value === "point" ? list.slice(0, 1) : field.value === "ends" && list.length > 1 ? [list[0], list[list.length - 1]] : list);
      fillFields();
    } else draft.cells[field.name] = field.value;
    if (field.name === "outcome") {
      draft.nothing_caught = false;
      by("nil-confirm").querySelector("input").checked = false;
      if (field.value === "caught" && !draft.catches.length) draft.catches.push(freshCatch());
    }
    if (field.name === "method" && method() && !method().geometry.includes(draft.shape)) {
      draft.shape = method().geometry[0];
      place(points().slice(0, 1));
      fillFields();
    }
    touched();
    if (["outcome", "passes"].includes(field.name)) drawRows();
    if (field.type === "radio" || field.name === "survey") arrange();
    if ([...PLACE, "shape", "method", "position_uncertainty_m", "stream_name"].includes(field.name)) {
      if (PLACE.includes(field.name) && field.name !== "crs" && !draft.cells.crs && /tude$/.test(field.name)) {
        draft.cells.crs = form.elements.crs.value = "EPSG:4326";
      }
      showPlace();
    }
  });

  function freshCatch() {
    const last = draft.catches[draft.catches.length - 1];
    return { count: "", count_kind: "exact", fate: last ? last.fate || "" : "released", pass_no: last ? last.pass_no || "" : "" };
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
    draft.lengths.push({ species: last ? last.species : only || "", pass_no: last ? last.pass_no || "" : "" });
    touched();
    drawRows();
    by("lengths").lastElementChild.querySelector("input").focus();
  });
  by("lengths-part").addEventListener("toggle", drawRows);
  by("locate").addEventListener("click", locate);
  by("undo-point").addEventListener("click", () => {
    place(points().slice(0, -1));
    fillFields();
    touched();
    showPlace();
  });
  form.querySelectorAll("[data-now]").forEach((button) =>
    button.addEventListener("click", () => {
      draft.cells[button.dataset.now] = localNow(zone()) + offsetNow(zone());
      fillFields();
      touched();
    }),
  );

  // Checking and saving -----------------------------------------------------------------------
  function labelOf(column) {
    const holder = form.querySelector(`[data-field="${CSS.escape(column)}"] :is(span, legend, label)`);
    if (holder) return holder.textContent.trim();
    return { outcome: "What came of it", method: "Method", species: "Species", count: "Count" }[column] || column.replaceAll("_", " ");
  }

  function findingLine(one) {
    const part = { catches: "Catch row " + one.row + ", ", lengths: "Length row " + one.row + ", " }[one.part] || "";
    const line = element("li", {}, element("b", { textContent: part + (one.column ? labelOf(one.column) : "Form") }));
    if (one.value) line.append(" ", element("code", { textContent: one.value }));
    line.append(": " + one.message);
    return line;
  }

  function showFindings(title, told, more) {
    by("findings-title").textContent = title;
    const parts = [];
    const list = (words, rows) => rows && rows.length &&
      parts.push(element("h3", { textContent: words }), element("ul", {}, ...rows.map(findingLine)));
    list("Cannot be stored so", told.refused);
    list("Looks odd; stored with this remark", told.flagged);
    if (told.detail) parts.push(element("p", { textContent: told.detail }));
    by("findings-body").replaceChildren(...parts, ...(more || []));
    by("findings").hidden = false;
    by("findings").focus();
    by("findings").scrollIntoView({ block: "nearest" });
  }

  function showAnswer(one) {
    if (one.status !== "conflict") return showFindings("Look at this first", one.told || {});
    const told = one.told;
    const rows = told.differences.map(([column, held, sent]) =>
      element("tr", {}, element("th", { scope: "row", textContent: labelOf(column) }), element("td", { textContent: held || "–" }), element("td", { textContent: sent || "–" })));
    const table = element("table", {},
      element("thead", {}, element("tr", {}, ...["Field", "Stored now", "Yours"].map((words) => element("th", { scope: "col", textContent: words })))),
      element("tbody", {}, ...rows));
    const mine = element("button", { type: "button", textContent: "Put mine in its place" });
    mine.addEventListener("click", () => {
      draft.base = told.digest;
      draft.had = Object.keys(draft.cells);
      save(true);
    });
    const theirs = element("button", { type: "button", className: "light", textContent: "Keep what is stored" });
    theirs.addEventListener("click", async () => {
      await drafts.remove(draft.uuid);
      forgetMirror();
      location.assign("/placements/" + address(draft.cells.placement_id));
    });
    showFindings("Somebody else changed this meanwhile", { flagged: told.flagged }, [
      element("p", { textContent: "Both versions stay in the history, whichever you choose." }),
      element("div", { className: "scrolls" }, table), element("div", { className: "buttons" }, mine, theirs),
    ]);
  }

  const address = (id) => id.split("/").map(encodeURIComponent).join("/");

  async function ask(url) {
    const lent = await drafts.lend();
    return drafts.post(url, sheet(), lent.token);
  }

  async function check() {
    busy(true);
    try {
      const { status, told } = await ask("/entry/check");
      if (status !== 200) showFindings("This cannot be checked", told);
      else if (told.refused.length || told.flagged.length) showFindings("Look at this first", told);
      else {
        by("findings").hidden = true;
        say(told.unchanged ? "Checked: stored already, just so." : "Checked: nothing to remark.");
      }
      return status === 200 ? told : null;
    } catch (_) {
      say("No connection: it is checked when it is sent.", true);
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
    forgetMirror();
    const id = draft.cells.placement_id;
    await next();
    say(id + " is kept on this device. It is checked and sent when there is a connection.");
    const worker = navigator.serviceWorker && (await navigator.serviceWorker.getRegistration());
    if (worker && worker.sync) worker.sync.register("rifflebook-send").catch(() => {});
  }

  async function next() {
    if (location.hash) history.replaceState(null, "", path);
    const over = Object.fromEntries(KEPT_OVER.filter((name) => draft.cells[name]).map((name) => [name, draft.cells[name]]));
    const fresh = editing && lists.form ? ofStored(lists.form) : empty(over);
    await hold(fresh.uuid);
    open(fresh);
    by("save").textContent = "Save";
    await listDrafts();
    root.scrollTo({ top: 0 });
  }

  async function save(decided) {
    busy(true);
    try {
      await keep();
      if (!navigator.onLine) return await wait();
      const checked = await ask("/entry/check");
      if (checked.status !== 200) return showFindings("This cannot be saved", checked.told);
      const { refused, flagged } = checked.told;
      const remarks = JSON.stringify(flagged);
      if (refused.length || (flagged.length && seen !== remarks && decided !== true)) {
        showFindings("Look at this first", checked.told);
        seen = refused.length ? "" : remarks;
        if (seen) by("save").textContent = "Save with these remarks";
        return undefined;
      }
      const answer = await ask("/entry/save");
      draft = { ...drafts.settled(draft, answer), sheet: sheet() };
      await drafts.put(draft);
      forgetMirror();
      if (draft.status !== "sent") return showAnswer(draft);
      const own = "/placements/" + address(draft.cells.placement_id);
      if (editing) return location.assign(own);
      const link = element("a", { href: own, textContent: draft.cells.placement_id });
      await next();
      say("Stored: ", false, link, ".");
      return undefined;
    } catch (problem) {
      if (problem instanceof TypeError) return await wait(); // the connection went
      say(problem.message, true);
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

  // Drafts ------------------------------------------------------------------------------------
  async function listDrafts() {
    const held = (await drafts.all()).filter((one) => one.uuid !== draft.uuid || one.status !== "draft");
    by("drafts").hidden = !held.length;
    const open_ = held.filter((one) => one.status !== "sent").length;
    by("draft-count").textContent = open_ ? "(" + open_ + " not stored yet)" : "";
    by("draft-list").replaceChildren(...held.map(draftLine));
  }

  function draftLine(one) {
    const id = one.cells.placement_id || one.uuid.slice(0, 8);
    const label = (lists.methods[one.cells.method] || {}).label || "no gear chosen";
    const line = element("li", { className: "is-" + one.status }, element("b", { textContent: id }), " " + label + ": " + STATUS[one.status]);
    if (one.status === "sent") {
      const remarks = ((one.told || {}).flagged || []).length;
      if (remarks) line.append(", " + remarks + (remarks === 1 ? " remark" : " remarks"));
      line.append(". ", element("a", { href: "/placements/" + address(id), textContent: "Show" }));
      return line;
    }
    if (one.told && one.told.detail) line.append(". " + one.told.detail);
    const go = element("a", { href: one.page + "#draft=" + one.uuid, textContent: "Open" });
    go.addEventListener("click", () => setTimeout(() => location.reload())); // also where only the end changes
    const drop = element("button", { type: "button", className: "light", textContent: "Throw away" });
    drop.addEventListener("click", async () => {
      if (drop.dataset.sure) {
        await drafts.remove(one.uuid);
        await listDrafts();
      } else {
        drop.dataset.sure = "yes";
        drop.textContent = "Really throw " + id + " away";
      }
    });
    line.append(" ", go, " ", drop);
    return line;
  }

  async function sendAll() {
    if (!navigator.onLine) return;
    try {
      const done = await drafts.sendAll();
      const stored = done.filter((one) => one.status === "sent");
      if (stored.length) say("Sent: " + stored.map((one) => one.cells.placement_id).join(", ") + ".");
      if (done.some((one) => one.status !== "sent")) by("drafts").open = true;
    } catch (_) { /* tried again below */ }
    await listDrafts().catch(() => {});
  }

  root.addEventListener("online", () => {
    connection();
    sendAll();
    showPlace();
    map.fill();
  });
  root.addEventListener("offline", connection);
  setInterval(sendAll, 30000);

  const map = root.RifflebookEntryMap.make(lists, (point) => addPoint(point));
  map.fill();
  if ("serviceWorker" in navigator) {
    navigator.serviceWorker.register("/entry-worker.js").catch(() => {});
    navigator.serviceWorker.addEventListener("message", () => listDrafts());
  }
  find().then(async (found) => {
    open(found);
    connection();
    await listDrafts().catch(() => {});
    form.dataset.ready = "yes";
    await sendAll();
  });
})(self);
