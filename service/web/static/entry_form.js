/* The form at hand: its lists, what is being entered, and the line that says what happened. */
import * as content from "./entry_content.js";

export const NEW = "/placements/new";
export const lists = JSON.parse(document.getElementById("lists").textContent);
export const form = document.getElementById("entry");
export const by = (id) => document.getElementById(id);
export const path = location.pathname.replace(/\/$/, "");
export const editing = path !== NEW;
/** `draft` is what is being entered; `seen` are the remarks that were shown, so that saving again
    means it. */
export const entry = { draft: null, seen: "" };
export const method = () => lists.methods[entry.draft.cells.method];
export const sheet = () => content.sheet(entry.draft, method());
export const zone = () => lists.zones[entry.draft.cells.survey] || lists.timezone;

export function say(words, trouble, ...more) {
  by("state").replaceChildren(words, ...more);
  by("state").classList.toggle("trouble", Boolean(trouble));
}

export function faultWords(problem) {
  console.error(problem); // for whoever looks for faults
  return problem.message + ". What you entered is kept on this device.";
}
