// Draws strips on canvases. All lengths are CSS pixels.
import { steps, instants, clock } from "./scale.js";
import { range } from "./series.js";

export const gutter = 46; // for the numbers at the left
const right = 10;
const dashes = [[], [7, 4], [2, 3], [12, 3, 2, 3], [5, 2]];

// colours reads the style sheet's, which differ between light and dark.
export function colours() {
  const style = getComputedStyle(document.documentElement);
  const get = (name) => style.getPropertyValue("--" + name).trim();
  return {
    ink: get("ink"), faint: get("faint"), grid: get("grid"), rule: get("rule"), void: get("void"), hatch: get("hatch"), mark: get("mark"),
    lines: [0, 1, 2, 3, 4].map((i) => get("line" + i)), font: getComputedStyle(document.body).fontFamily,
  };
}

// ready sizes a canvas for the screen and returns what to draw with.
function ready(canvas, c) {
  const w = canvas.clientWidth;
  const h = canvas.clientHeight;
  const ratio = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(w * ratio) || canvas.height !== Math.round(h * ratio)) {
    canvas.width = Math.round(w * ratio);
    canvas.height = Math.round(h * ratio);
  }
  const g = canvas.getContext("2d");
  g.setTransform(ratio, 0, 0, ratio, 0, 0);
  g.clearRect(0, 0, w, h);
  g.font = "12px " + c.font;
  g.lineJoin = "round";
  return { g, w, h };
}

// across tells where an instant is drawn, and back.
export function across(view, width) {
  const scale = (width - gutter - right) / (view.to - view.from);
  return { x: (t) => gutter + (t - view.from) * scale, t: (x) => view.from + (x - gutter) / scale };
}

// hatched fills a box with slanted lines, under which nothing is measured plainly.
function hatched(g, c, x0, x1, h) {
  g.save();
  g.beginPath();
  g.rect(x0, 0, Math.max(1, x1 - x0), h);
  g.clip();
  g.strokeStyle = c.hatch;
  g.globalAlpha = 0.55;
  g.beginPath();
  for (let x = x0 - h - ((x0 - h) % 8); x < x1; x += 8) {
    g.moveTo(x, h);
    g.lineTo(x + h, 0);
  }
  g.stroke();
  g.restore();
}

// note writes a word into a box if it fits, on the strip's own ground.
function note(g, c, word, x0, x1, y) {
  const w = g.measureText(word).width;
  if (x1 - x0 < w + 10) return;
  g.fillStyle = c.void;
  g.fillRect(x0 + 2, y - 9, w + 6, 16);
  g.fillStyle = c.ink;
  g.fillText(word, x0 + 5, y);
}

// limits are the least and the most that a strip shows.
function limits(strip, view) {
  let low = Infinity;
  let high = -Infinity;
  for (const s of strip.series) {
    const r = range(s, view.from, view.to);
    if (r) {
      low = Math.min(low, r[0]);
      high = Math.max(high, r[1]);
    }
  }
  if (strip.name === "λ") {
    low = Math.min(low, 0.97);
    high = Math.max(high, 1.03);
  }
  if (low > high) return null;
  const least = Math.max(Math.abs(high) * 1e-3, 1e-6);
  const more = high - low < least ? Math.max(least, Math.abs(high) * 0.05, 0.5) : (high - low) * 0.08;
  return [low - more, high + more];
}

// line draws a series. Where a column holds several readings it reaches from the least to the most of them.
function line(g, s, x, y, i, c, view) {
  g.strokeStyle = g.fillStyle = c.lines[i % 5];
  g.lineWidth = 1.5;
  g.setLineDash(dashes[i % 5]);
  g.globalAlpha = s.width > 0 && i > 0 ? 0.8 : 1;
  g.beginPath();
  let up = true;
  for (let k = 0; k < s.n; k++) {
    if (s.t[k] + s.width < view.from && k + 1 < s.n && s.t[k + 1] < view.from) continue;
    const at = x(s.t[k] + s.width / 2);
    const first = up ? s.low[k] : s.high[k];
    const second = up ? s.high[k] : s.low[k];
    up = !up;
    if (s.broken[k]) g.moveTo(at, y(first));
    else g.lineTo(at, y(first));
    if (first !== second) g.lineTo(at, y(second));
    else if (s.broken[k] && (k + 1 === s.n || s.broken[k + 1])) g.lineTo(at + 1, y(first));
    if (s.t[k] > view.to) break;
  }
  g.stroke();
  g.setLineDash([]);
  if (s.width === 0) dots(g, s, x, y, view);
  g.globalAlpha = 1;
}

// dots marks single readings where they stand far enough apart to be told.
function dots(g, s, x, y, view) {
  let seen = 0;
  for (let k = 0; k < s.n; k++) if (s.t[k] >= view.from && s.t[k] <= view.to) seen++;
  if (seen < 1 || (x(view.to) - x(view.from)) / seen < 8) return;
  for (let k = 0; k < s.n; k++) {
    g.beginPath();
    g.arc(x(s.t[k]), y(s.low[k]), 2.2, 0, 7);
    g.fill();
  }
}

// words draws what a status was, as boxes with the words in them.
function words(g, c, spans, x, w, h) {
  let odd = false;
  for (const p of spans) {
    odd = !odd;
    const x0 = Math.max(gutter, x(p[0]));
    const x1 = Math.min(w - right, x(p[1]));
    if (x1 <= gutter || x0 >= w - right) continue;
    g.fillStyle = odd ? c.void : c.grid;
    g.fillRect(x0, 3, Math.max(1, x1 - x0), h - 6);
    g.fillStyle = c.faint;
    g.fillRect(x0, 3, 1, h - 6);
    let word = p[3];
    while (word.length > 3 && g.measureText(word).width > x1 - x0 - 10) word = word.slice(0, -2).trimEnd() + "…";
    if (g.measureText(word).width > x1 - x0 - 8) continue;
    g.fillStyle = c.ink;
    g.fillText(word, x0 + 5, h / 2);
  }
}

// strip draws one strip: its grid, what was not read, what was read, and the marks.
export function strip(s, view, events, c) {
  const { g, w, h } = ready(s.canvas, c);
  const { x } = across(view, w);
  g.textBaseline = "middle";
  g.strokeStyle = c.grid;
  g.beginPath();
  for (const t of instants(view.from, view.to, w / 110).all) {
    g.moveTo(x(t), 0);
    g.lineTo(x(t), h);
  }
  g.stroke();
  for (const p of s.gaps) {
    g.fillStyle = c.void;
    const x0 = Math.max(gutter, x(p.from));
    const x1 = Math.min(w - right, x(Math.min(p.to, view.to)));
    if (x1 <= gutter || x0 >= w - right) continue;
    g.fillRect(x0, 0, Math.max(1, x1 - x0), h);
    note(g, c, "nothing read", x0, x1, h / 2);
  }
  const range = s.flat ? null : limits(s, view);
  const y = range ? (v) => h - 4 - ((v - range[0]) / (range[1] - range[0])) * (h - 8) : null;
  if (range) levels(g, c, s, range, y, w);
  g.save();
  g.beginPath();
  g.rect(gutter, 0, w - gutter - right, h);
  g.clip();
  s.series.forEach((one, i) => {
    for (const p of one.states || []) {
      const x0 = Math.max(gutter, x(p[0]));
      const x1 = Math.min(w - right, x(p[1]));
      if (x1 <= gutter || x0 >= w - right || i > 0) continue;
      hatched(g, c, x0, x1, h);
      note(g, c, p[2], x0, x1, 12);
    }
    if (one.steps && one.steps.length) words(g, c, one.steps, x, w, h);
    else if (y) line(g, one, x, y, i, c, view);
  });
  g.restore();
  marks(g, c, events, x, w, h);
}

// levels draws the grid's lines and their numbers, and where λ is 1.
function levels(g, c, s, range, y, w) {
  g.textAlign = "right";
  for (const v of steps(range[0], range[1], s.tall ? 5 : 3)) {
    g.strokeStyle = c.grid;
    g.lineWidth = 1;
    if (s.name === "λ" && v === 1) {
      g.strokeStyle = c.faint;
    }
    g.beginPath();
    g.moveTo(gutter, y(v));
    g.lineTo(w - right, y(v));
    g.stroke();
    if (y(v) < 8 || y(v) > s.canvas.clientHeight - 8) continue;
    g.fillStyle = c.faint;
    g.fillText(String(v).replace("-", "−"), gutter - 6, y(v));
  }
  g.textAlign = "left";
  if (s.name === "λ" && s.canvas.clientWidth > 420) {
    g.fillStyle = c.faint;
    g.textAlign = "right";
    g.fillText("lean", w - right - 4, 10);
    g.fillText("rich", w - right - 4, s.canvas.clientHeight - 10);
    g.textAlign = "left";
  }
}

function marks(g, c, events, x, w, h) {
  g.strokeStyle = c.mark;
  g.setLineDash([3, 3]);
  g.lineWidth = 1;
  for (const e of events) {
    if (e.kind !== "mark" || x(e.at_s) < gutter || x(e.at_s) > w - right) continue;
    g.beginPath();
    g.moveTo(x(e.at_s), 0);
    g.lineTo(x(e.at_s), h);
    g.stroke();
  }
  g.setLineDash([]);
}

// times draws the axis of time below all strips: instants, the marks' words, and which part of the drive is seen.
export function times(canvas, view, whole, events, c) {
  const { g, w, h } = ready(canvas, c);
  const { x } = across(view, w);
  const { all, digits } = instants(view.from, view.to, w / 110);
  g.textBaseline = "middle";
  g.textAlign = "center";
  g.fillStyle = c.ink;
  for (const t of all) {
    const word = clock(t, digits);
    const half = g.measureText(word).width / 2;
    if (x(t) - half < 2 || x(t) + half > w - 2) continue;
    g.fillRect(x(t), 0, 1, 4);
    g.fillText(word, x(t), 12);
  }
  g.textAlign = "left";
  g.fillStyle = c.mark;
  let free = gutter;
  for (const e of events) {
    const at = x(e.at_s);
    if (e.kind !== "mark" || at < gutter || at > w - right) continue;
    g.beginPath();
    g.moveTo(at, 19);
    g.lineTo(at - 4, 25);
    g.lineTo(at + 4, 25);
    g.fill();
    const word = e.text;
    if (at >= free && at + 8 + g.measureText(word).width < w) {
      g.fillText(word, at + 7, 25);
      free = at + 14 + g.measureText(word).width;
    }
  }
  const span = whole.to - whole.from;
  const along = (t) => gutter + ((t - whole.from) / span) * (w - gutter - right);
  g.fillStyle = c.grid;
  g.fillRect(gutter, h - 6, w - gutter - right, 4);
  g.fillStyle = c.faint;
  g.fillRect(along(view.from), h - 6, Math.max(3, along(view.to) - along(view.from)), 4);
}
