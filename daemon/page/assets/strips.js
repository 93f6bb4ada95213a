// The strips of a drive's plots: builds them, draws what it is given, shows the values at the cursor.
import * as draw from "./draw.js";
import { read, at } from "./series.js";
import { clock, number, unit } from "./scale.js";

function make(name, className, parent) {
  const e = document.createElement(name);
  if (className) e.className = className;
  if (parent) parent.append(e);
  return e;
}

// concerns says whether a gap is one of a channel: of the engine computers, of an input, or of the whole recording.
function concerns(gap, c) {
  if (gap.source === "recorder") return true;
  return gap.source === "obd" ? c.source.includes(" from ") : c.source === gap.source;
}

export class Strips {
  // drive is what the page tells of the drive: channels, events, gaps, length.
  constructor(root, drive) {
    this.drive = drive;
    this.root = root;
    root.replaceChildren();
    this.surface = make("div", "surface", root);
    this.list = make("div", "list", this.surface);
    const axis = make("div", "times", this.surface);
    this.axis = make("canvas", "", axis);
    this.axis.setAttribute("aria-hidden", "true");
    this.choice = make("div", "choice", this.surface);
    this.choice.hidden = true;
    this.cursor = make("div", "cursor", this.surface);
    this.cursor.tabIndex = 0;
    for (const [k, v] of [["role", "slider"], ["aria-label", "Cursor in the plots"], ["aria-valuemin", "0"]]) this.cursor.setAttribute(k, v);
    this.instant = make("span", "instant-label", axis);
    this.instant.setAttribute("aria-hidden", "true"); // the slider says it
    this.strips = [];
    this.view = { from: 0, to: drive.length || 1 };
    this.whole = { ...this.view };
    this.at = null; // the cursor's instant; none before the first plot
    this.colours = draw.colours();
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.colours = draw.colours();
      this.paint();
    });
    new ResizeObserver(() => this.paint()).observe(root);
  }

  // choose builds strips for channels; those of a family share one.
  choose(names) {
    const made = [];
    for (const name of names) {
      const channel = this.drive.channels.find((c) => c.name === name);
      if (!channel) continue;
      const title = channel.strip || name;
      let strip = made.find((s) => s.name === title && s.channels.length < 5);
      if (!strip) {
        strip = { name: title, channels: [], series: [], gaps: [], tall: title === "λ" };
        made.push(strip);
      }
      strip.channels.push(channel);
    }
    this.list.replaceChildren();
    for (const s of made) this.build(s);
    this.strips = made;
  }

  build(s) {
    const figure = make("figure", "strip" + (s.tall ? " tall" : "") + (s.channels.every((c) => c.unit === "") ? " flat" : ""), this.list);
    s.flat = figure.classList.contains("flat");
    const caption = make("figcaption", "", figure);
    s.pens = s.channels.map((c, i) => {
      const pen = make("span", "pen pen" + (i % 5), caption);
      if (!s.flat) make("i", "", pen).setAttribute("aria-hidden", "true");
      make("b", "", pen).textContent = c.name;
      const out = make("output", "", pen);
      out.setAttribute("aria-live", "off");
      out.dataset.channel = c.name;
      pen.title = c.description;
      if (s.channels.length === 1) make("small", "", pen).textContent = c.description;
      return out;
    });
    s.canvas = make("canvas", "", figure);
    s.canvas.setAttribute("role", "img");
    s.canvas.setAttribute("aria-label", `Plot of ${s.channels.map((c) => c.description).join(", ")}. The table of the review has its numbers.`);
    for (const gap of this.drive.gaps || []) {
      if (s.channels.some((c) => concerns(gap, c))) s.gaps.push({ from: gap.from_s, to: gap.until_s ?? Infinity });
    }
  }

  // show takes a plot as the logger sent it.
  show(plot) {
    const series = new Map(plot.series.map((s) => [s.channel, read(s)]));
    for (const s of this.strips) s.series = s.channels.map((c) => series.get(c.name)).filter(Boolean);
    this.paint();
  }

  paint() {
    if (!this.axis.clientWidth) return;
    for (const s of this.strips) draw.strip(s, this.view, this.drive.events || [], this.colours);
    draw.times(this.axis, this.view, this.whole, this.drive.events || [], this.colours);
    if (this.at !== null) this.place(this.at);
  }

  // point says at which instant a place on the page is.
  point(clientX) {
    const box = this.surface.getBoundingClientRect();
    return draw.across(this.view, box.width).t(clientX - box.left);
  }

  // place puts the cursor at an instant and shows the values there.
  place(instant, spoken) {
    this.at = Math.min(Math.max(instant, this.view.from), this.view.to);
    const width = this.surface.clientWidth;
    const x = draw.across(this.view, width).x(this.at);
    this.cursor.style.transform = `translateX(${x}px)`;
    const span = this.view.to - this.view.from;
    const time = clock(this.at, Math.min(6, Math.max(1, Math.ceil(-Math.log10(span / 1000)))));
    this.instant.textContent = time;
    const half = this.instant.offsetWidth / 2;
    this.instant.style.transform = `translateX(${Math.min(Math.max(x, half), width - half) - half}px)`;
    this.cursor.setAttribute("aria-valuemin", this.whole.from);
    this.cursor.setAttribute("aria-valuemax", this.whole.to);
    this.cursor.setAttribute("aria-valuenow", this.at);
    const words = [];
    for (const s of this.strips) {
      s.channels.forEach((c, i) => {
        const found = s.series.find((one) => one.channel === c.name);
        const text = found ? this.value(s.pens[i], found) : "";
        s.pens[i].textContent = text;
        words.push(`${c.name} ${text}`);
      });
    }
    if (spoken !== false) this.cursor.setAttribute("aria-valuetext", `${time}: ${words.join(", ")}`);
  }

  // value is what stands beside a pen.
  value(out, s) {
    const found = at(s, this.at);
    delete out.dataset.at;
    // The end of an engine computer's range is no λ, in an export neither.
    if (found.from === undefined || s.steps || found.state === "saturated") return found.text || found.state || "no reading";
    out.dataset.at = found.t;
    out.dataset.value = found.from;
    const low = number(found.from, s.decimals);
    const high = number(found.to, s.decimals);
    const text = (low === high ? low : `${low} to ${high}`) + unit(s.unit);
    return found.state ? `${text}, ${found.state}` : text;
  }

  // stretch shows the range that is being chosen.
  stretch(from, to) {
    const { x } = draw.across(this.view, this.surface.clientWidth);
    this.choice.hidden = false;
    this.choice.style.left = `${Math.min(x(from), x(to))}px`;
    this.choice.style.width = `${Math.abs(x(to) - x(from))}px`;
  }
}
