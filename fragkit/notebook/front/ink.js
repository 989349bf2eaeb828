// Shared by the widgets: elements, and lines and letters that stay legible on any photograph (dark within light).

const DARK = "#16222f";
const LIGHT = "rgba(255, 255, 255, 0.95)";
const TAKES_KEYS = ["button", "canvas", "input", "select", "summary", "textarea"];

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  // A notebook takes letters as commands wherever the focused element itself does not say no.
  if (TAKES_KEYS.includes(tag)) element.setAttribute("data-lm-suppress-shortcuts", "true");
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value !== false && value != null) element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children);
  return element;
}

function button(text, action, hint, attributes = {}) {
  return make("button", { type: "button", class: "fk-button", title: hint, onclick: action, ...attributes }, text);
}

function pressed(isPressed) {
  return { "aria-pressed": String(isPressed) };
}

// The whole of a widget. What is typed in it goes no further: older notebooks listen above it.
function widget(...parts) {
  return make("div", { class: "fk-widget", onkeydown: (event) => event.stopPropagation() }, ...parts);
}

function outlined(context, width, trace, dash = []) {
  context.lineCap = context.lineJoin = "round";
  for (const [wide, colour] of [[width + 2.6, LIGHT], [width, DARK]]) {
    context.lineWidth = wide;
    context.strokeStyle = colour;
    context.setLineDash(colour === DARK ? dash : []);
    context.beginPath();
    trace();
    context.stroke();
  }
  context.setLineDash([]);
}

function lettered(context, text, x, y) {
  context.font = "600 13px system-ui, sans-serif";
  context.lineWidth = 4;
  context.lineJoin = "round";
  context.strokeStyle = LIGHT;
  context.strokeText(text, x, y);
  context.fillStyle = DARK;
  context.fillText(text, x, y);
}

// Back (-1) or forward (+1) for the keys that undo and redo; 0 for all others.
function undoKey(event) {
  if (!(event.ctrlKey || event.metaKey)) return 0;
  const key = event.key.toLowerCase();
  if (key === "z") return event.shiftKey ? 1 : -1;
  return key === "y" ? 1 : 0;
}

function isSaveKey(event) {
  return (event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "s";
}
