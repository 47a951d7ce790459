// Home: the row of nights, the next step in one sentence, how full the goals are.
import { attempt, first, get, h, hours, main, many, start, svg } from "./base.js";
import { chooser } from "./chooser.js";
import { mark, words } from "./marks.js";
import { strip } from "./strip.js";

const ACTIONS = { judge: "Judge the subs", fold: "Fold the masters", picture: "Make the picture", "take-in": "Take a folder in" };

let show = first.show, action = first.action, shown = 0, planning = false;
const WORK_FIRST = ["take-in", "judge", "fold"];
function draw() {
  shown += 1;
  const sum = (of) => show.nights.reduce((t, n) => t + n.filters.reduce((s, f) => s + of(f), 0), 0);
  const dropped = sum((f) => f.subs_dropped), subs = sum((f) => f.subs_kept) + dropped;
  const head = subs ? `${many(show.nights.length, "night")}, ${hours(3600 * show.kept_h)} kept of ${many(subs, "sub")}` : show.campaign;
  const place = h("div");
  main.replaceChildren(
    h("h1", {}, head),
    strip(show, main.clientWidth - 48),
    h("section", { class: "next-step", "aria-label": "What to do next" }, h("p", {}, planning && !WORK_FIRST.includes(action) ? "What comes next is being planned …" : show.next), h("div", { class: "row" }, buttons(place))),
    place,
    show.goals.length ? goals() : noGoals(),
    show.nights.length ? h("p", {}, h("a", { class: "alone", href: "/found" }, "What was found in all nights")) : "",
    h("p", { class: "small" }, dropped ? `${many(dropped, "sub")} dropped; open a night to see why.` : ""),
    ...show.notes.map((t) => h("p", { class: "small" }, t)),
  );
}

function buttons(place) {
  const made = [], act = action;
  const choose = () => chooser(place, "Take this folder in", (folder) => work("take-in", { folder }));
  if (act === "take-in") made.push(h("button", { class: "next", type: "button", onclick: choose }, ACTIONS[act]));
  else {
    made.push(h("button", { class: "next", type: "button", onclick: () => work(act) }, ACTIONS[act]));
    made.push(h("button", { type: "button", onclick: choose }, "Take a folder in"));
  }
  if (show.nights.length && act !== "fold" && act !== "judge") made.push(h("a", { class: "button", href: "/masters" }, "See the masters"));
  return made;
}

// Without a goal nothing can be planned or called deep enough: the way to set one.
function noGoals() {
  if (!show.nights.length) return "";
  return h("section", {}, h("h2", {}, "No goal is set yet"), h("p", {}, "Say how deep each filter shall be, and tonight is planned towards it."), h("div", { class: "row" }, h("a", { class: "button", href: "/settings" }, "Set goals")));
}

function goals() {
  const several = new Set(show.goals.map((g) => g.target)).size > 1;
  const list = h("div", { class: "goals" }, show.goals.map((g) => h("div", { class: "goal" },
    h("div", { class: "row" }, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, g.filter, 7, 7)), h("span", {}, words(g.filter) + (several ? `, ${g.target}` : "") + (g.panel === null ? "" : `, panel ${g.panel}`))),
    g.done === null ? "" : h("progress", { class: "bar", max: 1, value: Math.min(1, g.done), "aria-label": `How full the goal in ${words(g.filter)} is` }),
    h("p", { class: "small" }, g.sentence))));
  return h("section", {}, h("h2", {}, "How full the goals are"), list);
}

// What tonight would add takes a plan, which takes seconds: it is put in when it is there.
async function withTonight() {
  planning = true;
  draw();
  const mine = shown;
  let whole = show;
  try { whole = await get("/api/show"); } catch { /* the page says what it knows */ }
  if (mine !== shown) return;
  [show, planning] = [whole, false];
  draw();
}

async function work(kind, wish = {}) {
  const record = await attempt(() => start(kind, wish));
  if (record?.state !== "done") return;
  [show, action] = [await get("/api/show?tonight=false"), (await get("/api/nights")).next_action];
  if (show.nights.length) withTonight();
  else draw();
}

if (show.nights.length) withTonight();
else draw();
