// Text only ever goes in as text: nothing that a supply or a person wrote becomes markup.

/** An element: `h("p", { class: "say", on: { click } }, "text", child)`. */
export function h(name, props = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (key === "on") for (const [event, deed] of Object.entries(value)) made.addEventListener(event, deed);
    else if (key === "value") made.value = value;
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.flat(9).filter((c) => c !== undefined && c !== null && c !== false));
  return made;
}

/** Changes a text only when it is another, so that readers of the screen are not told the same again. */
export function set(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

export function show(node, is) {
  if (node.hidden === is) node.hidden = !is;
}

export function attr(node, name, value) {
  if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

/** Rebuilds `node`'s children only when `key` is another than last time. */
export function keyed(node, key, build) {
  if (node.dataset.key === key) return;
  node.dataset.key = key;
  node.replaceChildren(...[build()].flat(9).filter(Boolean));
}

/** So long buttons that have just come take no tap, in milliseconds: the second of a double tap answers nothing else. */
const FRESH = 800;
/** As `keyed`, for buttons that act. */
export function pressable(node, key, build) {
  if (node.dataset.key === key) return;
  const first = node.dataset.key === undefined;
  keyed(node, key, build);
  if (first) return;
  const asleep = [...node.querySelectorAll("button:not(:disabled)")];
  for (const one of asleep) one.disabled = true;
  node.classList.add("fresh");
  setTimeout(() => {
    for (const one of asleep) one.disabled = false;
    if (node.dataset.key === key) node.classList.remove("fresh");
  }, FRESH);
}

/** The first letter large and a full stop behind it, as a sentence has them. */
export const sentence = (text) => text && `${text[0].toUpperCase()}${text.slice(1)}${/[.!?…]$/.test(text) ? "" : "."}`;

const SVG = "http://www.w3.org/2000/svg";
// Each state has its own outline as well as its colour.
const ICONS = {
  well: "M12 2a10 10 0 1 0 .01 0zM7 12.5l3.5 3.5L17 8.5",
  hand: "M8 12V5a1.6 1.6 0 0 1 3.2 0v5V3.6a1.6 1.6 0 0 1 3.2 0V10V5a1.6 1.6 0 0 1 3.2 0v10a7 7 0 0 1-7 7c-4 0-5-3-7.4-7.5a1.5 1.5 0 0 1 2.6-1.4L8 16z",
  look: "M12 2.5L22.5 21h-21zM12 9v6M12 17.6v.6",
  act: "M8 2h8l6 6v8l-6 6H8l-6-6V8zM12 6.5v7M12 16.6v.8",
  unknown: "M3 3h18v18H3zM9 9.2a3 3 0 1 1 4.3 2.7c-.9.5-1.3 1-1.3 2M12 16.8v.7",
  rest: "M12 2a10 10 0 1 0 .01 0zM7.5 12h9",
  done: "M5 22V3h13l-3 4.5L18 12H5",
  ended: "M12 2a10 10 0 1 0 .01 0zM8 8l8 8M16 8l-8 8",
  sound: "M4 9h4l5-5v16l-5-5H4zM16.5 8.5a5 5 0 0 1 0 7M19 6a9 9 0 0 1 0 12",
  mute: "M4 9h4l5-5v16l-5-5H4zM17 9.5l5 5M22 9.5l-5 5",
  held: "M12 2a10 10 0 1 0 .01 0zM9.5 8v8M14.5 8v8",
};

export function icon(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  svg.setAttribute("class", "icon");
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", ICONS[name] ?? ICONS.unknown);
  svg.append(path);
  return svg;
}

/** A drawing of the daemon's as an element with that label; nothing when it is none. */
export function drawing(text, label) {
  // A drawing to be looked at by itself brings colours of its own; here it takes the page's, and the page's policy
  // would complain of the others even where they are only read.
  const bare = text.replace(/<style>[^<]*<\/style>/g, "");
  const doc = new DOMParser().parseFromString(bare, "image/svg+xml");
  const svg = doc.documentElement;
  if (svg.localName !== "svg" || svg.querySelector("parsererror, script, style, foreignObject")) return null;
  const mine = document.importNode(svg, true);
  mine.setAttribute("role", "img");
  mine.setAttribute("aria-label", label);
  return mine;
}

/** How wide a drawing may be there, in pixels, as the daemon takes it. */
export const room = (place) => Math.round(Math.min(1600, Math.max(280, place.clientWidth)));

/** A labelled field, with a place for what is wrong with it. */
let fields = 0;
export function field(label, input, hint) {
  const id = `f${++fields}`;
  input.id = id;
  const wrong = h("span", { class: "wrong", id: `${id}w`, hidden: true });
  input.setAttribute("aria-describedby", `${id}w`);
  const box = h("div", { class: "field" }, h("label", { for: id }, label), input, hint && h("span", { class: "hint" }, hint), wrong);
  box.wrong = (text) => {
    set(wrong, text ?? "");
    show(wrong, Boolean(text));
    attr(input, "aria-invalid", text ? "true" : "false");
  };
  return box;
}

/** What was typed into those of the fields (inputs by name; one may be missing) where something was. */
export const filled = (fields) => Object.fromEntries(Object.entries(fields).filter(([, i]) => i && i.value.trim()).map(([name, i]) => [name, i.value.trim()]));

export function choice(options, value, on) {
  const made = h("select", { on: { change: on } }, Object.entries(options).map(([v, text]) => h("option", { value: v }, text)));
  made.value = value in options ? value : Object.keys(options)[0];
  return made;
}

export function button(text, deed, kind = "", more = {}) {
  return h("button", { type: "button", class: kind, on: { click: deed }, ...more }, text);
}
