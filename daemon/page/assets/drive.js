// One drive: plots, the review, keeping and deleting.
import { ask, fill } from "./api.js";
import { Strips } from "./strips.js";
import { listen } from "./gestures.js";

const root = document.getElementById("plot");
const drive = JSON.parse(root.dataset.drive);
const state = document.getElementById("state");
const chosen = document.getElementById("channels");
const strips = new Strips(root, drive);
let asking = null; // stops the request that is under way
let timer = 0;
let ahead = document.querySelector('link[as="fetch"]')?.getAttribute("href"); // the first plot, which is on its way

const names = () => new FormData(chosen).getAll("channel");

// load asks for what the range in view has, and draws it. What is there already is drawn at once.
async function load() {
  asking?.abort();
  asking = new AbortController();
  const { signal } = asking;
  root.setAttribute("aria-busy", "true");
  const q = new URLSearchParams(names().map((n) => ["channel", n]));
  if (!q.has("channel")) {
    strips.show({ series: [] });
    done(drive.channels.length ? "Nothing is chosen." : "Nothing was read.");
    return;
  }
  const { from, to } = strips.view;
  if (from > 0) q.set("from", from.toFixed(6));
  if (to < strips.whole.to) q.set("to", to.toFixed(6));
  q.set("points", Math.min(4000, Math.max(50, Math.round(root.clientWidth * 0.8))));
  const whole = !q.has("from") && !q.has("to");
  let plot;
  try {
    const path = ahead && whole ? ahead.replace("/api/v1/", "") : `sessions/${encodeURIComponent(drive.id)}/plot?${q}`;
    ahead = null;
    plot = await ask("GET", path, undefined, signal);
  } catch (err) {
    if (err.name !== "AbortError") done(err.message);
    return;
  }
  if (whole && plot.last > plot.first && Math.abs(plot.last - strips.whole.to) > 1e-6) {
    strips.whole = { from: 0, to: plot.last };
    strips.view = { ...strips.whole };
  }
  if (strips.at === null) strips.at = (strips.view.from + strips.view.to) / 2;
  strips.show(plot);
  performance.mark("plotted");
  root.dataset.drawn = JSON.stringify([strips.view.from, strips.view.to]);
  done(plot.damage || "");
}

function done(text) {
  state.textContent = text;
  root.setAttribute("aria-busy", "false");
}

// look shows another range, within the drive.
function look(from, to) {
  const { whole } = strips;
  const span = Math.min(to - from, whole.to - whole.from);
  from = Math.min(Math.max(from, whole.from), whole.to - span);
  strips.view = { from, to: from + span };
  root.setAttribute("aria-busy", "true");
  strips.paint();
  clearTimeout(timer);
  timer = setTimeout(load, 25); // a wheel turns in many small steps
  remember();
}

// remember keeps what is looked at in the address, which may be passed on.
function remember() {
  const q = new URLSearchParams(names().map((n) => ["channel", n]));
  const { view, whole } = strips;
  if (view.from > whole.from || view.to < whole.to) {
    q.set("from", view.from.toFixed(3));
    q.set("to", view.to.toFixed(3));
  }
  history.replaceState(null, "", "?" + q);
}

const todo = listen(strips, look);
for (const b of document.querySelectorAll("[data-do]")) b.addEventListener("click", () => todo[b.dataset.do]());
for (const b of document.querySelectorAll("[data-at]")) {
  b.addEventListener("click", () => {
    const at = Number(b.dataset.at);
    const span = Math.min(strips.view.to - strips.view.from, 60);
    look(at - span / 2, at + span / 2);
    strips.place(at);
    root.scrollIntoView({ block: "nearest" });
    strips.cursor.focus({ preventScroll: true });
  });
}
chosen.addEventListener("change", () => {
  strips.choose(names());
  remember();
  load();
});

// Keeping and deleting.
const kept = document.getElementById("kept");
const path = `sessions/${encodeURIComponent(drive.id)}`;
const attempt = async (what) => {
  try {
    await what();
  } catch (err) {
    kept.textContent = err.message;
  }
};
document.getElementById("pin")?.addEventListener("click", (e) => attempt(async () => {
  await ask(e.target.dataset.pinned === "true" ? "DELETE" : "PUT", path + "/pinned");
  location.reload();
}));
const sure = document.getElementById("sure");
document.getElementById("delete")?.addEventListener("click", () => {
  sure.returnValue = "";
  sure.showModal();
});
sure?.addEventListener("close", () => {
  if (sure.returnValue !== "yes") return;
  attempt(async () => {
    await ask("DELETE", path);
    location.assign("/");
  });
});

strips.choose(names());
const asked = new URLSearchParams(location.search);
const [from, to] = [Number(asked.get("from")), Number(asked.get("to"))];
if (to > from && from >= 0 && from < strips.whole.to) strips.view = { from, to: Math.min(to, strips.whole.to) };
strips.paint();
await load();
fill(document.getElementById("reviewed"), `/drives/${encodeURIComponent(drive.id)}/review`);
