/* The place on the form: its reach named, and the position of the device. */
import { NoAnswer, parseJson, request } from "../assets/fetching.js";
import { degrees, points } from "./entry_content.js";
import { apart, nearestReach } from "./entry_nearest.js";

const LEAST_STEP_M = 5; // between two points of a recorded way

function reachWords(found) {
  const where = found.catchment ? " Catchment " + found.catchment + "." : "";
  if (!found.has_network) return "no stream network is loaded." + where;
  if (!found.reach_id) return "no reach within " + Math.round(found.tolerance_m) + " m." + where;
  const name = (id, stream) => "reach " + id + (stream ? " (" + stream + ")" : "");
  const doubt = found.ambiguous
    ? " Or " +
      name(found.ambiguous_with, found.ambiguous_stream) +
      ", about as near: the name of the water would settle it."
    : "";
  return (
    name(found.reach_id, found.stream_name) + ", " + found.offset_m + " m away." + doubt + where
  );
}

/**
 * `draftNow` gives the draft on the page, `map` is its map, `by` finds a part of the page,
 * `add` takes a point.
 */
export function makePlace({ draftNow, map, by, add, tolerance_m }) {
  let turns = 0;

  function show() {
    const draft = draftNow();
    const list = points(draft);
    map.show(list, draft.shape, Number(draft.cells.position_uncertainty_m) || 0);
    by("undo-point").hidden = !list.length;
    if (!list.length) by("locate-state").textContent = ""; // it spoke of a point that is gone
    nameReach(draft, list[0]);
  }

  async function nameReach(draft, at) {
    const turn = ++turns;
    map.showSnap(null, null);
    const line = by("reach");
    if (!at) {
      line.textContent = degrees(draft)
        ? "No position yet."
        : "Position in " + draft.cells.crs + ": its reach is named when it is stored.";
      return;
    }
    const shown = at[1].toFixed(5) + ", " + at[0].toFixed(5) + ": ";
    const query = new URLSearchParams({ longitude: at[0], latitude: at[1] });
    const uncertainty = Number(draft.cells.position_uncertainty_m);
    if (uncertainty > 0) query.set("uncertainty", uncertainty);
    if (draft.cells.stream_name) query.set("stream", draft.cells.stream_name);
    try {
      if (!navigator.onLine) throw new NoAnswer("no connection");
      const answer = await request("/entry/nearest?" + query, {
        headers: { Accept: "application/json" },
      });
      const found = parseJson(answer);
      if (turn !== turns) return;
      if (!answer.ok) throw new Error(found.detail);
      line.textContent = shown + reachWords(found);
      line.classList.toggle(
        "doubt",
        Boolean(found.ambiguous || (found.has_network && !found.reach_id)),
      );
      if (found.snapped) map.showSnap(at, found.snapped);
    } catch (problem) {
      if (turn !== turns) return;
      if (!(problem instanceof NoAnswer)) line.textContent = shown + problem.message;
      else sayNearest(line, shown, at, draft);
    }
  }

  /* Without a connection: the nearest of the reaches that this device has. */
  function sayNearest(line, shown, at, draft) {
    const found = nearestReach(map.reachesDrawn(), at, draft.cells.stream_name);
    const most = Math.max(tolerance_m, Number(draft.cells.position_uncertainty_m) || 0);
    if (!found) line.textContent = shown + "the reach is named once there is a connection.";
    else if (found.offset_m > most)
      line.textContent =
        shown + "no reach of those on this device within " + Math.round(most) + " m.";
    else {
      line.textContent =
        shown +
        reachWords({ has_network: true, ...found }) +
        (found.visited ? " It was " + found.visited + "." : "") +
        " By the network on this device; checked when it is sent.";
      map.showSnap(at, found.snapped);
    }
    line.classList.toggle("doubt", Boolean(found && found.offset_m > most));
  }

  function locate() {
    const line = by("locate-state");
    if (!navigator.geolocation || !window.isSecureContext) {
      line.textContent =
        "This address cannot ask for a position: it needs HTTPS. Tap the map instead.";
      return;
    }
    line.textContent = "Asking the device …";
    navigator.geolocation.getCurrentPosition(
      (found) => {
        const { longitude, latitude, accuracy } = found.coords;
        const draft = draftNow();
        if (!points(draft).length || draft.shape === "point")
          draft.cells.position_uncertainty_m = String(Math.max(1, Math.round(accuracy)));
        add([Number(longitude.toFixed(6)), Number(latitude.toFixed(6))]);
        map.look(points(draft));
        line.textContent = "Position taken, good to about " + Math.round(accuracy) + " m.";
      },
      (problem) => {
        line.textContent =
          problem.code === 1
            ? "The device does not lend its position. Allow it, or tap the map."
            : "The device finds no position here. Try again, or tap the map.";
      },
      { enableHighAccuracy: true, timeout: 20000, maximumAge: 0 },
    );
  }

  /* A walk as a track: a point whenever the device has moved on. */
  let watched = null;
  function record() {
    if (watched !== null) {
      navigator.geolocation.clearWatch(watched);
      watched = null;
      by("record").textContent = "Record my way";
      by("locate-state").textContent = "The way has " + points(draftNow()).length + " points.";
      return;
    }
    by("record").textContent = "Stop recording";
    watched = navigator.geolocation.watchPosition(
      (found) => {
        const { longitude, latitude, accuracy } = found.coords;
        const list = points(draftNow());
        const last = list[list.length - 1];
        if (last && apart(last, [longitude, latitude]) < LEAST_STEP_M) return;
        add([Number(longitude.toFixed(6)), Number(latitude.toFixed(6))]);
        const [many, metres] = [points(draftNow()).length, Math.round(accuracy)];
        by("locate-state").textContent =
          `Recording: ${many} points, good to about ${metres} m. Keep this page open.`;
      },
      () => (by("locate-state").textContent = "The device finds no position here."),
      { enableHighAccuracy: true, maximumAge: 2000 },
    );
  }

  return { show, locate, record };
}
