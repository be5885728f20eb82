"use strict";
// Shows the session's state and sends key presses; both to this page's own address.
const labels = JSON.parse(document.body.dataset.labels);
const page = Array.from(crypto.getRandomValues(new Uint8Array(10)),
  (b) => b.toString(36).padStart(2, "0")).join("");
const at = (id) => document.getElementById(id);
const names = { " ": "space", "Escape": "escape", "Enter": "return", "Tab": "tab",
  "Backspace": "backspace", "Delete": "delete", "Insert": "insert", "Home": "home",
  "End": "end", "PageUp": "pageup", "PageDown": "pagedown", "ArrowUp": "up",
  "ArrowDown": "down", "ArrowLeft": "left", "ArrowRight": "right", ",": "comma",
  ".": "period", "-": "minus", "+": "plus", "/": "slash" };
let serial = -1;
let known = [];
let drawnKeys = "";

function press(key) {
  fetch("key", { method: "POST", body: JSON.stringify({ page, key }) })
    .catch(() => undefined);
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const name = names[event.key] || event.key.toLowerCase();
  if (!known.includes(name)) return;
  event.preventDefault();
  press(name);
});
addEventListener("pagehide", () =>
  navigator.sendBeacon("leave", JSON.stringify({ page })));

function item(tag, text) {
  const made = document.createElement(tag);
  made.textContent = text;
  return made;
}

function fill(id, made) {
  at(id).replaceChildren(...made);
}

function showEyes(eyes) {
  fill("eyes", eyes.map((eye) => {
    const row = document.createElement("li");
    const bar = document.createElement("meter");
    bar.value = eye.seen === null ? 0 : eye.seen;
    bar.low = 0.2;
    bar.setAttribute("aria-label", eye.eye);
    row.append(item("span", eye.eye), bar, item("span", eye.words));
    return row;
  }));
}

function showScreen(state) {
  const [width, height] = state.screen;
  const unit = width / 60;
  at("screen").setAttribute("viewBox", `${-unit} ${-unit} ${width + 2 * unit} ${height + 2 * unit}`);
  for (const [name, value] of Object.entries({ x: 0, y: 0, width, height })) {
    at("edge").setAttribute(name, value);
  }
  at("target").style.display = state.target ? "" : "none";
  if (state.target) {
    const [x, y] = state.target;
    const arm = 1.3 * unit;
    at("target").firstElementChild.setAttribute("d",
      `M${x - arm} ${y}H${x + arm}M${x} ${y - arm}V${y + arm}`);
  }
  const last = state.gaze[state.gaze.length - 1];
  at("gaze").style.display = last ? "" : "none";
  at("trail").setAttribute("points", state.gaze.map((p) => p.join(",")).join(" "));
  if (last) {
    const [x, y] = last;
    at("gaze").firstElementChild.setAttribute("d",
      `M${x - unit} ${y}L${x} ${y - unit}L${x + unit} ${y}L${x} ${y + unit}Z`);
  }
}

function showKeys(keys) {
  const text = JSON.stringify(keys);
  if (text === drawnKeys) return;
  drawnKeys = text;
  known = keys.map((row) => row.key);
  fill("keys", keys.map((row) => {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.does = row.does;
    button.append(item("kbd", row.shown), row.words);
    button.addEventListener("click", () => press(row.key));
    return button;
  }));
}

function show(state) {
  document.documentElement.lang = state.language;
  at("point").textContent = state.point;
  at("words").textContent = state.words;
  at("done").style.width = `${100 * state.share}%`;
  at("away").textContent = state.away;
  at("unmapped").hidden = state.mapped;
  showScreen(state);
  showEyes(state.eyes);
  const lines = state.last.length ? state.last : [labels.nothing];
  if (at("last").dataset.shown !== lines.join("\n")) {
    at("last").dataset.shown = lines.join("\n");
    fill("last", lines.map((line) => item("li", line)));
  }
  if (at("result").dataset.shown !== state.result.join("\n")) {
    at("result").dataset.shown = state.result.join("\n");
    fill("result", state.result.map((line) => item("p", line)));
  }
  showKeys(state.keys);
}

function say(text) {
  at("words").textContent = text;
  showKeys([]);
}

async function watch() {
  for (;;) {
    try {
      const answer = await fetch("state",
        { headers: { "X-Page": page, "X-Serial": String(serial) } });
      if (answer.status === 409) {
        say(labels.taken);
        serial = -1;
      } else if (answer.ok) {
        serial = Number(answer.headers.get("X-Serial"));
        const state = await answer.json();
        if (state.screen) show(state);
        await new Promise((go) => setTimeout(go, 60));
        continue;
      } else {
        say(labels.gone);
        serial = -1;
      }
    } catch {
      say(labels.gone);
      serial = -1;
    }
    await new Promise((go) => setTimeout(go, 1000));
  }
}
watch();
