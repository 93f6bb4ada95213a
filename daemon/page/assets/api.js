// Requests to the logger. What goes wrong becomes an Error with the sentence that the logger gave.

async function told(answer) {
  if (answer.status === 401) {
    location.assign("/sign-in?next=" + encodeURIComponent(location.pathname + location.search));
    throw new Error("You are not signed in any more.");
  }
  const kind = answer.headers.get("Content-Type") || "";
  if (kind.includes("json")) {
    const problem = await answer.json();
    return new Error(problem.detail || problem.title || `The logger answered ${answer.status}.`);
  }
  return new Error(`The logger answered ${answer.status} ${answer.statusText}.`);
}

async function reach(path, options) {
  let answer;
  try {
    answer = await fetch(path, { credentials: "same-origin", ...options });
  } catch (err) {
    if (err.name === "AbortError") throw err;
    throw new Error("The logger cannot be reached.");
  }
  if (!answer.ok) throw await told(answer);
  return answer;
}

// ask sends a request to the API and returns what it answered, or null where it has nothing to say.
export async function ask(method, path, body, signal) {
  const options = { method, signal };
  if (body !== undefined) {
    options.headers = { "Content-Type": "application/json" };
    options.body = JSON.stringify(body);
  }
  const answer = await reach("/api/v1/" + path, options);
  const text = await answer.text();
  return text ? JSON.parse(text) : null;
}

// fill puts a part of a page, as the logger rendered it, into an element.
export async function fill(element, path) {
  element.setAttribute("aria-busy", "true");
  try {
    const answer = await reach(path, { headers: { "X-Fragment": "1" } });
    element.innerHTML = await answer.text();
  } catch (err) {
    element.textContent = err.message;
  }
  element.removeAttribute("aria-busy");
}
