// Numbers and axes.

// steps gives round values within a range, about so many.
export function steps(from, to, about) {
  const raw = (to - from) / about;
  if (!(raw > 0)) return [];
  const ten = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].find((m) => m * ten >= raw) * ten;
  const all = [];
  for (let i = Math.ceil(from / step - 1e-9); i * step <= to + step * 1e-9; i++) all.push(Number((i * step).toPrecision(12)));
  return all;
}

const spans = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];

// instants gives round instants within a range, about so many.
export function instants(from, to, about) {
  const step = spans.find((s) => s >= (to - from) / about) || 14400;
  const all = [];
  for (let i = Math.ceil(from / step - 1e-9); i * step <= to; i++) all.push(i * step);
  return { all, digits: Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)) };
}

// clock writes an instant of a drive: 3:07.5, 1:02:03.
export function clock(seconds, digits) {
  const unit = 10 ** digits;
  const rounded = Math.round(Math.abs(seconds) * unit) / unit;
  const h = Math.floor(rounded / 3600);
  const m = Math.floor((rounded % 3600) / 60);
  let s = (rounded % 60).toFixed(digits);
  if (s.indexOf(".") === 1 || s.length === 1) s = "0" + s;
  const minutes = h ? String(m).padStart(2, "0") : m;
  return (seconds < -0.5 / unit ? "−" : "") + (h ? h + ":" : "") + minutes + ":" + s;
}

// number writes a reading with the decimals that its channel has. Of one with as many as it takes to be exact, six digits are
// shown.
export function number(x, decimals) {
  return (decimals >= 0 ? x.toFixed(decimals) : String(Number(x.toPrecision(6)))).replace("-", "−");
}

// unit is a unit behind its number.
export function unit(u) {
  return u && u !== "1" ? "\u202f" + u : "";
}
