// A series as the logger sends it, made ready for drawing and for looking up.

// read takes a series apart: columns are [t, least, most] or [t, number], and null where the line breaks.
export function read(s) {
  const n = s.columns.length;
  const out = { ...s, t: new Float64Array(n), low: new Float64Array(n), high: new Float64Array(n), broken: new Uint8Array(n), n: 0 };
  let broken = 1;
  for (const c of s.columns) {
    if (c === null) {
      broken = 1;
      continue;
    }
    const i = out.n++;
    out.t[i] = c[0];
    out.low[i] = c[1];
    out.high[i] = c.length > 2 ? c[2] : c[1];
    out.broken[i] = broken;
    broken = 0;
  }
  out.columns = null;
  return out;
}

// last is the place of the last column that begins at or before an instant, or -1.
function last(s, at) {
  let from = 0;
  let to = s.n;
  while (from < to) {
    const mid = (from + to) >> 1;
    if (s.t[mid] <= at) from = mid + 1;
    else to = mid;
  }
  return from - 1;
}

// span is the last of some spans [from, to, ...] that an instant lies in.
function span(spans, at) {
  let found = null;
  for (const p of spans || []) {
    if (p[0] > at) break;
    if (at <= p[1]) found = p;
  }
  return found;
}

// at is what a series has at an instant: { from, to, t, state, text }, each where there is one. With single readings it is
// the newest one at that instant, unless nothing was read since.
export function at(s, instant) {
  const found = {};
  const step = span(s.steps, instant);
  if (step) found.text = step[3];
  const state = span(s.states, instant);
  if (state) found.state = state[2];
  const i = last(s, instant);
  if (i < 0) return found;
  if (s.width > 0 ? instant > s.t[i] + s.width * 1.001 : i + 1 < s.n && s.broken[i + 1] && instant > s.t[i]) return found;
  if (s.width === 0 && i + 1 === s.n && instant - s.t[i] > 5) return found;
  if (state && s.width === 0 && state[0] > s.t[i]) return found;
  found.t = s.t[i];
  found.from = s.low[i];
  found.to = s.high[i];
  return found;
}

// range is the least and the most of the line within a range of time, or null. The line may come from a column before the range, and
// go to one behind it. What is there only because an engine computer's range ends counts where there is nothing else.
export function range(s, from, to) {
  const ends = (s.states || []).filter((p) => p[2] === "saturated");
  const plain = [Infinity, -Infinity];
  const all = [Infinity, -Infinity];
  for (let i = Math.max(0, last(s, from)); i < s.n; i++) {
    const before = s.t[i] + s.width < from;
    if (before && (i + 1 === s.n || s.broken[i + 1])) continue;
    const behind = s.t[i] > to;
    if (behind && s.broken[i]) break;
    const kinds = ends.some((p) => p[0] <= s.t[i] + s.width && s.t[i] <= p[1]) ? [all] : [all, plain];
    for (const k of kinds) {
      k[0] = Math.min(k[0], s.low[i]);
      k[1] = Math.max(k[1], s.high[i]);
    }
    if (behind) break;
  }
  if (plain[0] <= plain[1]) return plain;
  return all[0] <= all[1] ? all : null;
}
