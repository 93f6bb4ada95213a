// Calibration in steps: choose a level, measure it, see what it means, apply it.
import { ask, fill } from "./api.js";

for (const section of document.querySelectorAll("section.input")) start(section);

function start(section) {
  const input = section.dataset.input;
  const find = (what) => section.querySelector(what);
  const button = (what) => find(`[data-do="${what}"]`);
  const said = find(".said");
  const done = find(".done");
  const finding = find(".finding");
  const query = `?input=${encodeURIComponent(input)}`;

  fill(find(".check"), "/wiring/check" + query);

  // level is the level that was chosen, as the logger reads it.
  const level = () => {
    const radio = find("input[type=radio]:checked");
    if (!radio) throw new Error("Choose first which level the controller holds.");
    const typed = radio.closest(".typed")?.querySelector("input[type=number]");
    if (typed && typed.value === "") {
      typed.focus();
      throw new Error("Type in the number beside the level that you chose.");
    }
    return radio.value + (typed ? typed.value : "");
  };
  for (const typed of section.querySelectorAll("input[type=number]")) {
    typed.addEventListener("focus", () => (typed.closest("label").querySelector("input[type=radio]").checked = true));
  }

  const look = async () => {
    await fill(finding, "/wiring/finding" + query);
    const ready = finding.querySelector(".ready");
    button("apply").disabled = ready?.dataset.ready !== "true";
    button("forget").disabled = !(Number(ready?.dataset.levels) > 0);
  };
  const attempt = async (where, what) => {
    where.classList.remove("worry");
    try {
      await what();
    } catch (err) {
      where.classList.add("worry");
      where.textContent = err.message;
    }
  };

  button("measure").addEventListener("click", () => attempt(said, async () => {
    const seconds = Number(find("[name=seconds]").value);
    const wanted = level();
    const b = button("measure");
    b.disabled = true;
    said.textContent = `Measuring for ${seconds} s. Leave everything as it is.`;
    try {
      const answer = await ask("POST", "calibration/levels", { input, level: wanted, seconds });
      const seen = answer?.seen;
      said.textContent = (seen ? `Seen: ${seen.volts.toFixed(3)} V, in ${seen.readings} readings. ` : "Measured. ") + (answer?.warning || answer?.remark || "");
      await look();
    } finally {
      b.disabled = false;
    }
  }));

  const since = () => {
    const date = find("[name=since]").value;
    return date ? { since: new Date(date + "T00:00").toISOString() } : {};
  };
  const change = (what, text) => attempt(done, async () => {
    await what();
    sessionStorage.setItem("done", JSON.stringify([input, text]));
    location.reload(); // what holds now is told at several places
  });
  button("apply").addEventListener("click", () => change(() => ask("POST", "calibration/apply", { input, ...since() }), "Applied."));
  button("withdraw")?.addEventListener("click", () => change(() => ask("POST", "calibration/withdraw", { input, ...since() }), "Withdrawn."));
  button("forget").addEventListener("click", () => attempt(done, async () => {
    await ask("DELETE", "calibration/levels" + query);
    done.textContent = "Forgotten.";
    said.textContent = "";
    await look();
  }));

  const before = JSON.parse(sessionStorage.getItem("done") || "null");
  if (before && before[0] === input) {
    sessionStorage.removeItem("done");
    done.textContent = before[1];
    done.scrollIntoView({ block: "center" });
  }
}
