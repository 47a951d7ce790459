// What every place needs: the API with its token, elements, words for numbers, the work in hand, the red light.
export const first = JSON.parse(document.getElementById("first").textContent);
export const main = document.getElementById("main");
export let session = first.session;

export function h(name, attributes = {}, ...children) {
  return fill(document.createElement(name), attributes, children);
}
export function svg(name, attributes = {}, ...children) {
  return fill(document.createElementNS("http://www.w3.org/2000/svg", name), attributes, children);
}
function fill(element, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, value);
  }
  element.append(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
  return element;
}

export class Told extends Error {}

async function answer(response) {
  if (response.ok) return response.json();
  let error = null;
  try { error = (await response.json()).error; } catch { /* not one of our sentences */ }
  throw new Told(error ? sentence(error) : `The page's server answered ${response.status}.`);
}
export async function get(address) { return answer(await fetch(address)); }
export async function post(address, body = {}) {
  const headers = { "Content-Type": "application/json", "X-Nightfold-Token": session.token };
  const response = await fetch(address, { method: "POST", headers, body: JSON.stringify(body) });
  return answer(response);
}

export function sentence(error) {
  const parts = [error.what];
  if (error.seen) parts.push(`seen: ${error.seen}`);
  if (error.allowed) parts.push(`allowed: ${error.allowed}`);
  if (error.next) parts.push(`next: ${error.next}`);
  const text = parts.join("; ");
  return text.charAt(0).toUpperCase() + text.slice(1) + (text.endsWith(".") ? "" : ".");
}

const told = document.getElementById("told");
export function tell(text) {
  told.textContent = text;
  told.hidden = !text;
}
// Runs something that a person asked for; what goes wrong is told in a sentence.
export async function attempt(work) {
  try {
    tell("");
    return await work();
  } catch (error) {
    tell(error instanceof Told ? error.message : error instanceof TypeError ? "The page's server does not answer; is Nightfold still running?" : String(error));
    return undefined;
  }
}

export function hours(seconds) {
  if (seconds === null || seconds === undefined) return "–";
  return seconds >= 3600 ? `${(seconds / 3600).toFixed(1)} h` : `${Math.round(seconds / 60)} min`;
}
export function number(value, digits = 2) {
  return value === null || value === undefined ? "–" : Number(value).toFixed(digits);
}
export function many(count, word) { return `${count} ${word}${count === 1 ? "" : "s"}`; }
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
export function day(text) {
  const [, month, date] = text.split("-").map(Number);
  return `${date} ${MONTHS[month - 1]}`;
}
function left(seconds) {
  if (seconds < 90) return `about ${Math.max(1, Math.round(seconds))} s left`;
  return `about ${Math.round(seconds / 60)} min left`;
}

// -- the work in hand ---------------------------------------------------------------------------------------------------
const panel = document.getElementById("work");
const stepWords = h("p", { class: "small" });
const workWords = h("p");
const bar = h("progress", { max: 1, value: 0, "aria-label": "How far the work is" });
const stopButton = h("button", { type: "button", onclick: () => attempt(stopWork) }, "Stop");
const againButton = h("button", { type: "button", onclick: () => attempt(goOn) }, "Go on");
const closeButton = h("button", { type: "button", class: "quiet", onclick: () => { panel.hidden = true; } }, "Close");
panel.append(workWords, bar, stepWords, h("div", { class: "row" }, againButton, stopButton, closeButton));

let job = null;
let stream = null;
const waiting = [];

function show(record) {
  job = record;
  const running = record.state === "running";
  panel.hidden = false;
  stopButton.hidden = !running;
  closeButton.hidden = running;
  againButton.hidden = !(record.again && (record.state === "cut short" || record.state === "stopped"));
  bar.hidden = !running;
  const step = record.step;
  if (running) {
    workWords.textContent = record.what;
    if (step.total) {
      bar.max = step.total;
      bar.value = step.done;
      const rest = step.seconds_left === null ? "" : `, ${left(step.seconds_left)}`;
      stepWords.textContent = `${step.what}: ${step.done} of ${step.total} ${step.unit}${rest}`;
    } else {
      bar.removeAttribute("value");
      stepWords.textContent = record.said.at(-1) ?? "Getting ready";
    }
    return;
  }
  const ended = {
    done: "is done.", failed: "could not be done.", stopped: "was stopped; what was finished stays.",
    "cut short": "was cut short when Nightfold ended; what was finished stays.",
  };
  workWords.textContent = `${record.what} ${ended[record.state]}`;
  // What is done is seen in the page itself: the words go by themselves; what went wrong stays.
  if (record.state === "done") setTimeout(() => { if (job === record) panel.hidden = true; }, 8000);
  stepWords.textContent = record.error && record.state === "failed" ? sentence(record.error) : record.said.at(-1) ?? "";
}

function follow() {
  if (!job || job.state !== "running" || stream || document.hidden) return;
  stream = new EventSource(`/api/jobs/${job.id}/events`);
  stream.onmessage = (event) => {
    const record = JSON.parse(event.data);
    show(record);
    if (record.state !== "running") {
      unfollow();
      for (const done of waiting.splice(0)) done(record);
    }
  };
  stream.onerror = () => {
    unfollow();
    setTimeout(lookAgain, 2000);
  };
}
function unfollow() {
  stream?.close();
  stream = null;
}
async function lookAgain() {
  if (document.hidden) return;
  try {
    session = await get("/api/session");
    if (job) show(await get(`/api/jobs/${job.id}`));
    else if (session.job) show(session.job);
    if (job && job.state !== "running") for (const done of waiting.splice(0)) done(job);
    follow();
    tell("");
  } catch {
    if (job && job.state === "running") {
      tell("The page's server does not answer. It is asked again every few seconds.");
      setTimeout(lookAgain, 3000);
    }
  }
}
document.addEventListener("visibilitychange", () => (document.hidden ? unfollow() : lookAgain()));

// Starts work and resolves with its record once it has ended.
export async function start(kind, wish = {}) {
  show(await post(`/api/do/${kind}`, wish));
  return ended();
}
export function ended() {
  return new Promise((resolve) => {
    waiting.push(resolve);
    follow();
  });
}
export function atWork() { return job !== null && job.state === "running" ? job : null; }
async function stopWork() {
  stopButton.disabled = true;
  try { await post(`/api/jobs/${job.id}/stop`); } finally { stopButton.disabled = false; }
}
async function goOn() {
  let { work, wish } = job.again;
  // A campaign that was begun goes on where it is: what was taken in stays.
  if (work === "start" && session.campaign !== null) [work, wish] = ["take-in", { folder: wish.folder }];
  const record = await start(work, wish);
  if (record.state === "done") location.reload();
}
if (session.job) {
  show(session.job);
  follow();
}

// -- red light ----------------------------------------------------------------------------------------------------------
const night = document.getElementById("night-mode");
function setNight(on) {
  document.documentElement.classList.toggle("night", on);
  night.setAttribute("aria-pressed", String(on));
  try { localStorage.setItem("red-light", on ? "on" : "off"); } catch { /* nothing is kept then */ }
}
setNight(document.documentElement.classList.contains("night"));
night.addEventListener("click", () => setNight(night.getAttribute("aria-pressed") !== "true"));
