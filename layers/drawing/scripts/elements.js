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
