// Home: the row of nights, the next step in one sentence, how full the goals are.
import { attempt, first, get, h, hours, main, many, start, svg } from "./base.js";
import { chooser } from "./chooser.js";
import { mark, words } from "./marks.js";
import { strip } from "./strip.js";

const ACTIONS = { judge: "Judge the subs", fold: "Fold the masters", picture: "Make the picture", "take-in": "Take a folder in" };

let shown = 0;
function draw(report, show = null) {
  shown += 1;
  const subs = report.nights.reduce((t, n) => t + n.subs, 0), kept = report.nights.reduce((t, n) => t + n.kept, 0);
  const clear = report.nights.reduce((t, n) => t + n.filters.reduce((s, f) => s + f.kept_s, 0), 0);
  const head = subs ? `${many(report.nights.length, "night")}, ${hours(clear)} kept of ${many(subs, "sub")}` : report.name;
  const place = h("div");
  main.replaceChildren(
    h("h1", {}, head),
    strip(report, show?.tonight ?? null),
    h("section", { class: "next-step", "aria-label": "What to do next" }, h("p", {}, show && !["judge", "fold"].includes(report.next_action) && report.nights.length ? show.next : report.next_step), h("div", { class: "row" }, buttons(report, place))),
    place,
    show?.goals.length ? reached(show) : report.goals.length ? goals(report) : "",
    report.nights.length ? h("p", {}, h("a", { href: "/found" }, "What was found in all nights")) : "",
    h("p", { class: "small" }, kept < subs ? `${many(subs - kept, "sub")} dropped; open a night to see why.` : ""),
  );
}

function buttons(report, place) {
  const made = [];
  const act = report.next_action;
  const choose = () => chooser(place, "Take this folder in", (folder) => work("take-in", { folder }));
  if (act === "take-in") made.push(h("button", { class: "next", type: "button", onclick: choose }, ACTIONS[act]));
  else {
    made.push(h("button", { class: "next", type: "button", onclick: () => work(act) }, ACTIONS[act]));
    made.push(h("button", { type: "button", onclick: choose }, "Take a folder in"));
  }
  if (report.nights.length && act !== "fold" && act !== "judge") made.push(h("a", { class: "button", href: "/masters" }, "See the masters"));
  return made;
}

function goals(report) {
  const list = h("div", { class: "goals" });
  for (const g of report.goals) {
    const full = g.fraction === null ? "depth not measured yet" : `${Math.round(g.fraction * 100)} % full`;
    list.append(
      h("div", { class: "goal" },
        h("div", { class: "row" }, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, g.filter, 7, 7)), h("span", {}, `${words(g.filter)}: ${g.wanted}`)),
        g.fraction === null ? "" : h("progress", { class: "bar", max: 1, value: g.fraction, "aria-label": `${g.filter} goal` }),
        h("p", { class: "small" }, `${hours(g.kept_s)} kept, ${full}`),
      ),
    );
  }
  return h("section", {}, h("h2", {}, "How full the goals are"), list);
}

// The same with the depth reached, once it is known.
function reached(show) {
  const list = h("div", { class: "goals" }, show.goals.map((g) => h("div", { class: "goal" },
    h("div", { class: "row" }, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, g.filter, 7, 7)), h("span", {}, words(g.filter))),
    g.done === null ? "" : h("progress", { class: "bar", max: 1, value: Math.min(1, g.done), "aria-label": `How full the goal in ${words(g.filter)} is` }),
    h("p", { class: "small" }, g.sentence))));
  return h("section", {}, h("h2", {}, "How full the goals are"), list);
}

// What tonight would add takes a plan, which takes seconds: it is put in when it is there.
async function withTonight(report) {
  const mine = shown;
  try {
    const show = await get("/api/show");
    if (mine === shown) draw(report, show);
  } catch { /* without a site there is no tonight; the page says what it knows */ }
}

async function work(kind, wish = {}) {
  const record = await attempt(() => start(kind, wish));
  if (record?.state !== "done") return;
  const fresh = await get("/api/nights");
  draw(fresh);
  withTonight(fresh);
}

draw(first.nights);
if (first.nights.nights.length) withTonight(first.nights);
