// Live values, by server-sent events.
import { ask } from "./api.js";
import { number, unit } from "./scale.js";

const big = document.getElementById("big");
const link = document.getElementById("link");
const rows = document.querySelector("#values tbody");
const parts = document.getElementById("parts");
const seen = new Map(); // by channel: { cell, ... } of what is shown
let last = null; // the newest event, and when it came
let heard = "";
let top = JSON.parse(localStorage.getItem("top") || "null");

const wanted = [/ lambda$/, /^RPM$/, /^MAP$/, /^VSS$/];

function make(name, className, parent, text) {
  const e = document.createElement(name);
  if (className) e.className = className;
  if (text !== undefined) e.textContent = text;
  parent.append(e);
  return e;
}

// words is a value as it is read.
function words(c) {
  if (c.text) return c.text;
  if (c.value === null || c.value === undefined) return c.state || "–";
  return typeof c.value === "number" ? number(c.value, digits(c)) : String(c.value);
}

// rate is how often a channel is read, as the logger counts it.
function rate(c) {
  if (c.rate === null || c.rate === undefined) return "";
  return c.rate >= 10 ? String(Math.round(c.rate)) : c.rate.toFixed(1);
}

// digits are the decimals that are worth showing while a value moves.
function digits(c) {
  if (c.decimals >= 0) return Math.min(c.decimals, 3);
  if (/lambda/i.test(c.name)) return 3;
  return Math.abs(c.value) >= 100 || Number.isInteger(c.value) ? 0 : Math.abs(c.value) >= 10 ? 1 : 2;
}

function old(seconds) {
  if (seconds < 1.5) return "now";
  if (seconds < 120) return `${Math.round(seconds)} s old`;
  return seconds < 7200 ? `${Math.round(seconds / 60)} min old` : `${Math.round(seconds / 3600)} h old`;
}

function chosen() {
  if (top) return last.channels.filter((c) => top.includes(c.name)).slice(0, 6);
  const all = [];
  for (const w of wanted) {
    const c = last.channels.find((x) => w.test(x.name));
    if (c) all.push(c);
  }
  return all.length ? all : last.channels.slice(0, 4);
}

// build makes the tiles and the table anew; only when other channels come or are chosen.
function build() {
  const focused = rows.contains(document.activeElement) ? document.activeElement.closest("tr").dataset.channel : null;
  seen.clear();
  big.replaceChildren();
  rows.replaceChildren();
  for (const c of chosen()) {
    const tile = make("div", "", big);
    const what = make("p", "what", tile);
    make("b", "", what, c.name);
    if (c.description) make("span", "", what, " " + c.description);
    const value = make("p", "value", tile);
    seen.set("big " + c.name, { tile, value, number: make("span", "", value), unit: make("small", "", value, unit(c.unit).trim()), age: make("p", "age", tile) });
    tile.dataset.channel = c.name;
  }
  const names = new Set(chosen().map((c) => c.name));
  for (const c of last.channels) {
    const row = make("tr", "", rows);
    row.dataset.channel = c.name;
    const label = make("td", "", row);
    const box = make("input", "", label);
    box.type = "checkbox";
    box.checked = names.has(c.name);
    box.setAttribute("aria-label", `${c.name} on top`);
    box.addEventListener("change", () => choose(c.name, box));
    const name = make("th", "", row);
    name.scope = "row";
    make("b", "", name, c.name);
    if (c.description) make("span", "", name, c.description);
    seen.set(c.name, { row, value: make("td", "n", row), age: make("td", "n", row), rate: make("td", "n", row) });
  }
  if (focused !== null) seen.get(focused)?.row.querySelector("input").focus();
}

function choose(name, box) {
  const there = (n) => last.channels.some((c) => c.name === n);
  // What is not there just now stays chosen, unless there is no room for it.
  let now = (top || chosen().map((c) => c.name)).filter((n) => n !== name);
  if (box.checked) now.push(name);
  if (now.length > 6) now = now.filter(there);
  if (now.length > 6) {
    box.checked = false;
    return;
  }
  top = now;
  localStorage.setItem("top", JSON.stringify(top));
  build();
  update();
}

// update writes values and ages.
function update() {
  if (!last) return;
  const since = (performance.now() - last.came) / 1000;
  for (const c of last.channels) {
    const age = (c.age_s || 0) + since;
    const row = seen.get(c.name);
    if (row) {
      row.value.textContent = words(c) + (c.text || c.value === null ? "" : unit(c.unit)) + (c.state && c.value !== null && c.value !== undefined ? ` (${c.state})` : "");
      row.age.textContent = old(age);
      row.row.classList.toggle("old", age > 5);
      row.rate.textContent = rate(c);
    }
    const tile = seen.get("big " + c.name);
    if (!tile) continue;
    const text = words(c);
    tile.number.textContent = text;
    tile.value.classList.toggle("words", !/^[−\d]/.test(text) || text.length > 8);
    tile.unit.hidden = !/^[−\d]/.test(text);
    tile.tile.classList.toggle("old", age > 5);
    tile.age.textContent = old(age) + (c.state && text !== c.state ? `, ${c.state}` : "") + (rate(c) ? `, ${rate(c)} a second` : "");
  }
}

// describe writes what the logger's parts say of themselves, when that is news.
function describe(list) {
  const key = JSON.stringify(list.map((p) => [p.name, p.state, p.why]));
  if (key === describe.key) return;
  describe.key = key;
  parts.replaceChildren();
  for (const p of list) {
    const item = make("li", p.state === "working" ? "fine" : p.state === "stopped" ? "worry" : "unsure", parts);
    make("b", "", item, p.name);
    item.append(` ${p.state}${p.why ? ": " + p.why : ""}`);
  }
}

// inquire asks the logger how its parts are, while somebody looks.
async function inquire() {
  if (document.hidden) return;
  try {
    describe((await ask("GET", "health")).parts || []);
  } catch {
    // The line about the connection says so.
  }
}
inquire();
setInterval(inquire, 3000);

function say(text) {
  if (link.textContent !== text) link.textContent = text;
}

// hear takes in what the logger tells.
function hear(e) {
  last = JSON.parse(e.data);
  last.channels ||= [];
  last.came = performance.now();
  const names = last.channels.map((c) => c.name).join("\n");
  if (names !== heard) {
    heard = names;
    build();
  }
  update();
  say(last.recording ? "A drive is being recorded." : last.channels.length ? "" : "Nothing is read yet.");
}

// watch listens to the logger. A browser tries again by itself after a connection that broke, not after a refusal.
function watch() {
  const source = new EventSource("/api/v1/live");
  source.onmessage = hear;
  source.onerror = () => {
    say("No connection to the logger. The values are getting old; it is tried again.");
    if (source.readyState === EventSource.CLOSED) setTimeout(watch, 5000);
  };
}
watch();
setInterval(update, 500);

document.getElementById("mark").addEventListener("submit", async (e) => {
  e.preventDefault();
  const field = document.getElementById("text");
  const said = document.getElementById("marked");
  try {
    await ask("POST", "marks", { text: field.value.trim() || "mark" });
    said.textContent = `Marked${field.value.trim() ? ": " + field.value.trim() : ""}.`;
    field.value = "";
  } catch (err) {
    said.textContent = err.message;
  }
});
