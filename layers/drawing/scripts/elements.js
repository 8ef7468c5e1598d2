/* Elements of a page, built from text nodes, so that stored text stays text. */

/** An element; `attributes` are set as properties where it has them. */
export function element(tag, attributes, ...children) {
  const made = document.createElement(tag);
  Object.entries(attributes || {}).forEach(([name, value]) => {
    if (name in made && name !== "list") made[name] = value;
    else made.setAttribute(name, value);
  });
  made.append(...children);
  return made;
}

/** A button that does something when it is pressed. */
export function button(words, act, attributes) {
  const made = element("button", { type: "button", ...attributes }, words);
  made.addEventListener("click", act);
  return made;
}

/** A link. */
export function link(href, words) {
  return element("a", { href }, words);
}

/** An element of a drawing, put into another where one is given. */
export function svgElement(tag, attributes, parent) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  Object.entries(attributes).forEach(([name, value]) => made.setAttribute(name, value));
  if (parent) parent.append(made);
  return made;
}

/** An element with a text, or none, and a class. */
export function make(tag, text, className = "") {
  const made = document.createElement(tag);
  if (text !== undefined && text !== null) made.textContent = String(text);
  if (className) made.className = className;
  return made;
}

/** Whether a value of a record is there. */
export function known(value) {
  return value !== undefined && value !== null && value !== "";
}

/** Terms and what is known of each, a text or an element. */
export function facts(rows) {
  const list = make("dl");
  rows.forEach(([term, value]) => {
    if (known(value)) list.append(make("dt", term), element("dd", {}, value));
  });
  return list;
}
