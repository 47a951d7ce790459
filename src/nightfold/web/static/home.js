// Home: the row of nights, the next step in one sentence, how full the goals are.
import { attempt, first, get, h, hours, main, many, start, svg } from "./base.js";
import { chooser } from "./chooser.js";
import { mark, words } from "./marks.js";
import { strip } from "./strip.js";

const ACTIONS = { judge: "Judge the subs", fold: "Fold the masters", picture: "Make the picture", "take-in": "Take a folder in" };

function draw(report) {
  const subs = report.nights.reduce((t, n) => t + n.subs, 0), kept = report.nights.reduce((t, n) => t + n.kept, 0);
  const clear = report.nights.reduce((t, n) => t + n.filters.reduce((s, f) => s + f.kept_s, 0), 0);
  const head = subs ? `${many(report.nights.length, "night")}, ${hours(clear)} kept of ${many(subs, "sub")}` : report.name;
  const place = h("div");
  main.replaceChildren(
    h("h1", {}, head),
    strip(report),
    h("section", { class: "next-step", "aria-label": "What to do next" }, h("p", {}, report.next_step), h("div", { class: "row" }, buttons(report, place))),
    place,
    report.goals.length ? goals(report) : "",
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

async function work(kind, wish = {}) {
  const record = await attempt(() => start(kind, wish));
  if (record?.state === "done") draw(await get("/api/nights"));
}

draw(first.nights);
