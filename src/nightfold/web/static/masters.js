// The masters: what each is, folding with live progress, and the viewer over any of their planes.
import { attempt, first, get, h, hours, main, many, number, start, svg } from "./base.js";
import { chart } from "./charts.js";
import { leftWords, measured, nextWords, reachedWords } from "./depth.js";
import { mark, spelt, words } from "./marks.js";
import { Viewer } from "./viewer.js";

const PLANES = [["image", "Image"], ["noise", "Noise"], ["coverage", "Subs that cover"], ["rejected", "Samples rejected"]];
let masters = first.masters, viewer = null, open = null, plane = "image";
const list = h("div"), deep = h("section", { "aria-label": "How deep the masters are" }), looking = h("section", { class: "looking", "aria-label": "The master", hidden: true });
main.replaceChildren(list, deep, looking);

function order(a, b) { return a.rigs.join().localeCompare(b.rigs.join()) || a.filter.localeCompare(b.filter); }

function draw() {
  const rows = [...masters].sort(order).map((m) => h("tr", {},
    h("td", {}, h("button", { type: "button", class: "legend", onclick: () => look(m) }, h("span", {}, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, m.filter, 7, 7)), `Look at ${words(m.filter)}`))),
    h("td", {}, m.rigs.join(", ")), h("td", { class: "n" }, hours(m.exposure_s)), h("td", { class: "n" }, `${m.subs_used}${m.subs_dropped ? `, ${m.subs_dropped} dropped` : ""}`),
    h("td", { class: "n" }, m.fwhm_px === null ? "–" : `${number(m.fwhm_px, 1)} px`), h("td", { class: "n" }, m.noise_e_per_s === null ? "–" : m.noise_e_per_s.toPrecision(3)),
    h("td", { class: "n" }, m.noise_over_ideal === null ? "–" : `${number((m.noise_over_ideal - 1) * 100, 0)} %`), h("td", { class: "n" }, m.rejected_fraction === null ? "–" : `${number(m.rejected_fraction * 100, 2)} %`),
  ));
  const heads = ["Master", "Rig", "Exposure", "Subs", "Star width", "Noise, e/s", "Above the ideal", "Rejected"];
  const total = masters.reduce((t, m) => t + m.exposure_s, 0);
  list.replaceChildren(
    h("h1", {}, masters.length ? `${many(masters.length, "master")} hold ${hours(total)} of exposure` : "No masters yet"),
    masters.length ? h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, heads.map((t, i) => h("th", { scope: "col", class: i > 1 ? "n" : "" }, t)))), h("tbody", {}, rows))) : h("p", {}, "Folding calibrates, aligns and combines the kept subs of each filter into one clean master."),
    h("p", {}),
    h("div", { class: "row" }, h("button", { type: "button", class: masters.length ? "" : "next", onclick: fold }, masters.length ? "Fold again" : "Fold the kept subs"), masters.length ? h("button", { type: "button", onclick: depth }, "How deep are they, and what does the next hour bring?") : ""),
  );
}

// What each reaches, what its goal still needs, and what one more clear hour adds.
async function depth() {
  const found = await measured();
  if (!found) return;
  const { filters, next, notes } = found.report;
  const several = new Set(filters.map((f) => f.rigs.join())).size > 1;
  const rows = filters.map((f) => h("tr", {},
    h("td", {}, h("span", { class: "legend" }, h("span", {}, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, f.filter, 7, 7)), words(f.filter) + (several && f.rigs.length ? `, ${f.rigs.join(", ")}` : "")))),
    h("td", {}, reachedWords(f)), h("td", {}, f.goal ?? "–"), h("td", { class: "n" }, leftWords(f)), h("td", { class: "n" }, nextWords(f))));
  deep.replaceChildren(
    h("h2", {}, next ? `The next clear hour serves ${words(next.filter)} best` : "How deep the masters are"),
    h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, ["Master", "Reached", "Goal", "Clear hours missing", "Next hour, signal to noise"].map((t, i) => h("th", { scope: "col", class: i > 2 ? "n" : "" }, t)))), h("tbody", {}, rows))),
    ...notes.map((t) => h("p", { class: "small" }, spelt(t))),
    found.chart === null ? "" : (await attempt(() => chart(found.chart, "How the noise of each master fell with hours of exposure"))) ?? "",
  );
}

async function fold() {
  const record = await attempt(() => start("fold"));
  if (record?.state !== "done") return;
  masters = (await get("/api/masters")).masters;
  draw();
}

const said = h("p"), value = h("p", { class: "small", role: "status" }, "Point at a pixel, or tap it, to read its value."), canvas = h("canvas", { "aria-label": "The master; arrows move, plus and minus zoom, 1 shows single pixels, 0 the whole" });
const planeButtons = h("div", { class: "row", role: "group", "aria-label": "Plane" });
const dark = h("input", { type: "range", min: -1, max: 1, step: 0.01, value: 0, "aria-label": "Depth of black" }), bright = h("input", { type: "range", min: -1, max: 1, step: 0.01, value: 0, "aria-label": "Brightness" });
looking.append(
  h("div", { class: "row spread" }, said, h("button", { type: "button", onclick: shut }, "Back to the masters")),
  planeButtons, canvas, value,
  h("div", { class: "sliders" }, h("label", {}, "Depth of black", dark), h("label", {}, "Brightness", bright)),
  h("div", { class: "row" }, h("button", { type: "button", onclick: () => viewer.zoomTo(8) }, "Single pixels"), h("button", { type: "button", onclick: () => viewer.zoomTo(viewer.view.zoom * 1.5) }, "Closer"), h("button", { type: "button", onclick: () => viewer.zoomTo(viewer.view.zoom / 1.5) }, "Farther"), h("button", { type: "button", onclick: () => viewer.fit() }, "Whole"),
    h("button", { type: "button", onclick: plainCurve }, "First stretch again")),
);
for (const slider of [dark, bright]) slider.addEventListener("input", curve);

async function look(m) {
  open = m;
  list.hidden = deep.hidden = true;
  looking.hidden = false;
  if (!viewer) {
    viewer = new Viewer(canvas);
    viewer.ownArrows = true;
    viewer.addEventListener("pixel", (e) => read(e.detail));
    viewer.addEventListener("trouble", (e) => { value.textContent = e.detail; });
  }
  canvas.focus();
  await showPlane("image");
}
async function showPlane(name) {
  plane = name;
  planeButtons.replaceChildren(...PLANES.map(([key, text]) => h("button", { type: "button", "aria-pressed": String(key === plane), onclick: () => showPlane(key) }, text)));
  said.textContent = `${words(open.filter)}, ${open.rigs.join(", ")}: ${many(open.subs_used, "sub")}, ${hours(open.exposure_s)}`;
  await attempt(() => viewer.open(`/api/masters/${open.id}/${plane}`));
  plainCurve();
}
function plainCurve() {
  dark.value = 0;
  bright.value = 0;
  curve();
}
function curve() {
  if (!viewer?.source) return;
  const { black, white, softness } = viewer.source.facts;
  viewer.source.curve = { black: black + Number(dark.value) * 4 * softness, white: black + (white - black) * 10 ** (-1.5 * Number(bright.value)), softness: softness * 10 ** -Number(bright.value) };
  viewer.draw();
}
let asked = 0, timer = null;
function read(pixel) {
  clearTimeout(timer);
  const mine = ++asked;
  if (!pixel) return;
  timer = setTimeout(async () => {
    const answer = await attempt(() => get(`/api/masters/${open.id}/at?x=${pixel.x}&y=${pixel.y}`));
    if (!answer || mine !== asked) return;
    const sky = answer.ra_deg === null ? "" : `, ${sexagesimal(answer.ra_deg / 15, "h")} ${sexagesimal(answer.dec_deg, "°")}`;
    const noise = answer.noise_e_per_s === null ? "" : ` ± ${answer.noise_e_per_s.toPrecision(2)}`;
    value.textContent = `x ${answer.x}, y ${answer.y}${sky}: ${answer.value_e_per_s === null ? "no sub covers this" : `${answer.value_e_per_s.toPrecision(4)}${noise} e/s`}; ${many(answer.coverage, "sub")}, ${answer.rejected} rejected`;
  }, 60);
}
export function sexagesimal(value, unit) {
  const sign = value < 0 ? "−" : unit === "°" ? "+" : "", tenths = Math.round(Math.abs(value) * 36000);
  const a = Math.floor(tenths / 36000), b = Math.floor((tenths % 36000) / 600), c = (tenths % 600) / 10;
  const two = (n, d = 0) => n.toFixed(d).padStart(d ? 3 + d : 2, "0");
  return unit === "h" ? `${two(a)}h${two(b)}m${two(c, 1)}s` : `${sign}${two(a)}°${two(b)}′${two(c, 0)}″`;
}
function shut() {
  looking.hidden = true;
  list.hidden = deep.hidden = false;
  list.querySelector("button")?.focus();
}
document.addEventListener("keydown", (e) => { if (e.key === "Escape" && !looking.hidden) shut(); });
draw();
