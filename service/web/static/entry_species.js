/* A species by a few letters of any of its names: a combobox with a list (WAI-ARIA practice). */
import { element } from "../assets/elements.js";

const MOST = 8;
let count = 0;

const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
const split = (text, at) => plain(text).split(at).filter(Boolean);

/* Each word typed must begin a word of a name. A common name that is so typed comes first, then
   common names that begin so, then scientific ones; of these, what is caught here more often. */
export function matching(list, typed) {
  const words = split(typed, /[\s.]+/);
  const found = [];
  const whole = words.join(" ");
  list.forEach(([name, vernacular, caught], place) => {
    const parts = split(name + " " + vernacular, /[\s-]+/);
    if (!words.every((word) => parts.some((part) => part.startsWith(word)))) return;
    const common = plain(vernacular);
    const rank =
      common === whole
        ? 0
        : common.startsWith(whole)
          ? 1
          : common.split(/[\s-]+/).some((part) => part.startsWith(words[0] || ""))
            ? 2
            : plain(name).startsWith(words[0] || "")
              ? 3
              : 4;
    found.push([rank, -(caught || 0), place]);
  });
  found.sort((a, b) => a[0] - b[0] || a[1] - b[1] || a[2] - b[2]);
  return found.map(([, , place]) => list[place]);
}

/* Letters to change, put in or leave out so that one word becomes the beginning of another. */
function slips(typed, word) {
  let row = Array.from({ length: word.length + 1 }, (_, place) => place);
  for (let k = 1; k <= typed.length; k++) {
    const next = [k];
    for (let j = 1; j <= word.length; j++) {
      const same = typed[k - 1] === word[j - 1] ? 0 : 1;
      next.push(Math.min(row[j - 1] + same, row[j] + 1, next[j - 1] + 1));
    }
    row = next;
  }
  return Math.min(...row);
}

/* Where no name begins so: names of which a word nearly does, fewest slips first. Only offered. */
export function nearly(list, typed) {
  const words = split(typed, /[\s.]+/);
  const found = [];
  if (!words.length) return [];
  list.forEach(([name, vernacular], place) => {
    const parts = split(name + " " + vernacular, /[\s-]+/);
    const each = words.map((word) => [
      Math.min(...parts.map((part) => slips(word, part))),
      word.length,
    ]);
    if (each.some(([count, length]) => count > Math.floor(length / 4))) return;
    found.push([each.reduce((sum, [count]) => sum + count, 0), place]);
  });
  found.sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  return found.map(([, place]) => list[place]);
}

export function makeSpeciesField(list, value, label, changed) {
  const id = "species-" + ++count;
  const input = element("input", {
    ...{ id, value, type: "text", autocomplete: "off", spellcheck: false, autocapitalize: "none" },
    ...{ placeholder: "a few letters", role: "combobox", "aria-label": label },
    ...{ "aria-expanded": "false", "aria-autocomplete": "list", "aria-controls": id + "-list" },
  });
  const listed = { id: id + "-list", role: "listbox", "aria-label": label, hidden: true };
  const options = element("ul", listed);
  const common = element("span", { className: "known" });
  const box = element("div", { className: "combo" }, input, options, common);
  let shown = [];
  let at = -1;

  function showCommon() {
    const own = list.find(([name]) => name === input.value.trim());
    common.textContent = own ? own[1] : "";
  }

  function close() {
    options.hidden = true;
    input.setAttribute("aria-expanded", "false");
    input.removeAttribute("aria-activedescendant");
    at = -1;
  }

  function choose(name) {
    input.value = name;
    close();
    showCommon();
    changed(name);
  }

  function mark(next) {
    at = next;
    Array.from(options.children).forEach((one, place) =>
      one.setAttribute("aria-selected", place === at ? "true" : "false"),
    );
    const own = options.children[at];
    if (own) {
      input.setAttribute("aria-activedescendant", own.id);
      own.scrollIntoView({ block: "nearest" });
    }
  }

  function open() {
    shown = matching(list, input.value);
    if (!shown.length) shown = nearly(list, input.value);
    shown = shown.slice(0, MOST);
    options.replaceChildren(
      ...shown.map(([name, vernacular], place) => {
        const about = { id: id + "-" + place, role: "option", "aria-selected": "false" };
        const words = [...(vernacular ? [vernacular, " "] : []), element("i", {}, name)];
        const one = element("li", about, ...words);
        // Before the field loses the focus, so that the list is still there.
        one.addEventListener("pointerdown", (event) => event.preventDefault());
        one.addEventListener("click", () => choose(name));
        return one;
      }),
    );
    options.hidden = !shown.length;
    input.setAttribute("aria-expanded", String(!options.hidden));
    at = -1;
    input.removeAttribute("aria-activedescendant");
  }

  input.addEventListener("input", () => {
    open();
    showCommon();
    changed(input.value.trim());
  });
  input.addEventListener("focus", () => input.value || open());
  input.addEventListener("blur", () => {
    // One species left: it is meant. What matches none stays as typed, and is refused by name.
    const left = matching(list, input.value);
    if (input.value.trim() && left.length === 1 && input.value.trim() !== left[0][0])
      choose(left[0][0]);
    close();
  });
  input.addEventListener("keydown", (event) => {
    if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      if (options.hidden) open();
      const step = event.key === "ArrowDown" ? 1 : -1;
      if (shown.length)
        mark((at + step + shown.length + (at < 0 && step < 0 ? 1 : 0)) % shown.length);
      event.preventDefault();
    } else if (event.key === "Enter") {
      event.preventDefault();
      if (!options.hidden && shown.length) choose(shown[Math.max(at, 0)][0]);
    } else if (event.key === "Escape" && !options.hidden) {
      close();
      event.stopPropagation();
    }
  });
  showCommon();
  return { box, input };
}
