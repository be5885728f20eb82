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
// The session answers at least once a second; longer silence is no news, but a loss.
const SILENT_MS = 1800;
let serial = -1;
let known = [];
let drawnKeys = "";
let over = false;

function press(key) {
  fetch("key", { method: "POST", body: JSON.stringify({ page, key }) })
    .catch(() => undefined);
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
  const name = names[event.key] || event.key.toLowerCase();
  // A button that was reached by keyboard is pressed by Space and Enter, as anywhere.
  const pressing = name === "space" || name === "return";
  if (pressing && document.activeElement instanceof HTMLButtonElement) return;
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

function showBars(bars) {
  fill("bars", bars.flatMap((bar) => {
    const row = document.createElement("div");
    row.className = "bar";
    row.setAttribute("role", "img");
    row.setAttribute("aria-label", bar.words);
    const track = document.createElement("span");
    track.className = "track";
    const part = document.createElement("i");
    if (bar.far) part.className = "far";
    part.style.left = `${50 + 50 * Math.min(0, bar.share)}%`;
    part.style.width = `${50 * Math.abs(bar.share)}%`;
    track.append(part, document.createElement("b"));
    for (const side of [25, 75]) {
      const limit = document.createElement("b");
      limit.className = "limit";
      limit.style.left = `${side}%`;
      track.append(limit);
    }
    row.append(item("span", bar.left), track, item("span", bar.right));
    return [item("p", bar.words), row];
  }));
}

function showScreen(state) {
  const [width, height] = state.screen;
  const unit = width / 60;
  at("screen").setAttribute("viewBox", `${-unit} ${-unit} ${width + 2 * unit} ${height + 2 * unit}`);
  for (const [name, value] of Object.entries({ x: 0, y: 0, width, height })) {
    at("edge").setAttribute(name, value);
  }
  const [rows, columns] = state.grid || [1, 1];
  const lines = [];
  for (let k = 1; k < columns; k += 1) lines.push(`M${width * k / columns} 0V${height}`);
  for (let k = 1; k < rows; k += 1) lines.push(`M0 ${height * k / rows}H${width}`);
  at("grid").setAttribute("d", lines.join(""));
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
    button.addEventListener("click", (event) => {
      press(row.key);
      // After a click by hand the next Space is the session's again.
      if (event.detail > 0) button.blur();
    });
    return button;
  }));
}

function show(state) {
  document.documentElement.lang = state.language;
  document.body.dataset.view = state.view;
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
  showBars(state.bars);
  showKeys(state.keys);
}

function say(text) {
  document.body.dataset.view = "away";
  at("point").textContent = "";
  at("words").textContent = text;
  showKeys([]);
  serial = -1;
}

async function watch() {
  while (!over) {
    try {
      const answer = await fetch("state", {
        headers: { "X-Page": page, "X-Serial": String(serial) },
        signal: AbortSignal.timeout(SILENT_MS),
      });
      if (answer.status === 409) {
        say(labels.taken);
      } else if (answer.ok) {
        serial = Number(answer.headers.get("X-Serial"));
        const state = await answer.json();
        over = Boolean(state.over);
        if (over) say(labels.over);
        else if (state.screen) show(state);
        await new Promise((go) => setTimeout(go, 60));
        continue;
      } else {
        say(labels.gone);
      }
    } catch {
      say(labels.gone);
    }
    await new Promise((go) => setTimeout(go, 500));
  }
}
watch();
