// One night: four charts brushed together, the table with small pictures, and the viewer that steps through the subs.
import { attempt, day, first, get, h, hours, main, many, number, post, svg } from "./base.js";
import { mark, words } from "./marks.js";
import { Viewer } from "./viewer.js";

let report = sorted(first.night);
const chosen = new Set();
let undo = [];

const SERIES = [
  { key: "fwhm", name: "Star width", unit: "″", of: (s) => s.sub.fwhm_arcsec ?? s.sub.fwhm_px, digits: 1, least: 0.5 },
  { key: "ellipticity", name: "Elongation", unit: "", of: (s) => s.sub.ellipticity, digits: 2, least: 0.1 },
  { key: "sky", name: "Sky", unit: " e/s", of: (s) => s.sub.sky_e_per_s, digits: 3, least: 0 },
  { key: "transparency", name: "Transparency", unit: "", of: (s) => s.sub.transparency, digits: 2, least: 0.1 },
];
const CAUSES = {
  cloud: "cloud", trailing: "trailed stars", focus: "focus", seeing: "the air", "sky-glow": "a bright sky", dew: "dew", pointing: "pointing",
  "wrong-frame": "not of this target", sensor: "the sensor's temperature", overexposed: "too much light", unreadable: "files that cannot be read", person: "your own decision",
};
const clock = (start) => (start ? new Date(start).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: first.zone }) : "–");
const kept = (s) => s.sub.verdict === "keep";

// Like stands beside like: by rig, then by the filters in the order they were first used, then by time.
function sorted(night) {
  const order = new Map();
  for (const s of night.subs) { const k = `${s.sub.rig}/${s.sub.filter}`; if (!order.has(k)) order.set(k, order.size); }
  const rank = (s) => `${s.sub.rig}`;
  return { ...night, subs: [...night.subs].sort((a, b) => rank(a).localeCompare(rank(b)) || order.get(`${a.sub.rig}/${a.sub.filter}`) - order.get(`${b.sub.rig}/${b.sub.filter}`) || `${a.sub.start}`.localeCompare(`${b.sub.start}`)) };
}

const rigs = new Set(report.subs.map((s) => s.sub.rig)).size;
const head = h("h1"), costs = h("p"), charts = h("div", { class: "charts" }), picked = h("section", { class: "picked", "aria-live": "polite" }), body = h("tbody");
const viewing = h("section", { class: "viewing", "aria-label": "One sub at full size", hidden: true });
const overview = h("div", {},
  h("div", { class: "row spread" }, head, h("div", { class: "row" }, link(report.before, "Night before"), link(report.after, "Night after"))),
  costs, charts, picked,
  h("div", { class: "scroll" }, h("table", { class: "subs" }, h("thead", {}, h("tr", {}, ["", ...(rigs > 1 ? ["Rig"] : []), "Start", "Filter", "Star width, ″", "Elongation", "Sky, e/s", "Transparency", "Verdict"].map((t) => h("th", { scope: "col" }, t)))), body)),
);
main.replaceChildren(overview, viewing);

function link(date, text) { return date ? h("a", { class: "button", href: `/nights/${date}` }, `${text}, ${day(date)}`) : ""; }

function draw() {
  const subs = report.subs, good = subs.filter(kept);
  const seconds = good.reduce((t, s) => t + (s.sub.exposure_s ?? 0), 0);
  head.textContent = `Night of ${day(report.night)}: ${good.length} of ${many(subs.length, "sub")} kept, ${hours(seconds)}`;
  costs.textContent = report.dropped_for.length ? `Dropped for ${report.dropped_for.map((c) => `${CAUSES[c.cause] ?? c.cause} (${many(c.subs, "sub")}, ${hours(c.exposure_s)})`).join(", ")}.` : "Nothing was dropped.";
  charts.replaceChildren(...SERIES.map(chart));
  body.replaceChildren(...subs.map(row));
  drawPicked();
}

function row(s, i) {
  const n = s.sub, why = n.causes.map((c) => c.detail).join("; ");
  const verdict = `${kept(s) ? "Kept" : "Dropped"}${s.decided ? " by you" : ""}`;
  return h("tr", { class: kept(s) ? "" : "dropped", "data-sub": s.id },
    h("td", {}, h("button", { type: "button", class: "small-picture", "aria-label": `Open ${s.name}`, onclick: () => open(i) }, h("img", { src: `/api/subs/${s.id}/small.jpg`, alt: "", loading: "lazy", width: 88, height: 62 }))),
    rigs > 1 ? h("td", {}, n.rig ?? "–") : "",
    h("td", {}, clock(n.start)),
    h("td", {}, h("span", { class: "legend" }, h("span", {}, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, n.filter ?? "", 7, 7)), words(n.filter ?? "no filter")))),
    ...SERIES.map((c) => h("td", {}, number(c.of(s), c.digits))),
    h("td", {}, verdict, why ? h("div", { class: "small" }, why) : ""),
  );
}

// -- charts -------------------------------------------------------------------------------------------------------------
const WIDE = 460, TALL = 150, LEFT = 52, RIGHT = 10, TOPPAD = 10, FOOT = 22;
function chart(c) {
  const points = report.subs.map((s) => ({ s, t: Date.parse(s.sub.start), v: c.of(s) })).filter((p) => Number.isFinite(p.t) && p.v !== null && p.v !== undefined);
  const figure = h("figure", {}, h("figcaption", {}, c.name + (c.unit ? `, ${c.unit.trim()}` : "")));
  if (!points.length) return h("figure", {}, h("figcaption", {}, `${c.name}: not measured`));
  const t0 = Math.min(...points.map((p) => p.t)), t1 = Math.max(...points.map((p) => p.t)) || 1;
  // Not narrower than what matters, so that nothing is made of the last digit; lines at round numbers.
  let low = Math.min(...points.map((p) => p.v)), high = Math.max(...points.map((p) => p.v));
  const more = Math.max(0, c.least - (high - low), 0.1 * Math.abs(high) - (high - low)) / 2;
  [low, high] = low - more < 0 && low >= 0 ? [0, Math.max(high + more, c.least)] : [low - more, high + more];
  const raw = (high - low) / 3, ten = 10 ** Math.floor(Math.log10(raw)), step = [1, 2, 5, 10].find((m) => m * ten >= raw) * ten;
  low = Math.floor(low / step + 1e-6) * step; high = Math.ceil(high / step - 1e-6) * step;
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9)), ticks = Array.from({ length: Math.round((high - low) / step) + 1 }, (_, i) => low + i * step);
  [low, high] = [low - 0.06 * (high - low), high + 0.06 * (high - low)];
  const x = (t) => LEFT + 8 + ((t - t0) / Math.max(t1 - t0, 1)) * (WIDE - LEFT - RIGHT - 16);
  const y = (v) => TOPPAD + (1 - (v - low) / (high - low)) * (TALL - TOPPAD - FOOT);
  const root = svg("svg", { viewBox: `0 0 ${WIDE} ${TALL}`, role: "img", "aria-label": `${c.name} of ${many(points.length, "sub")} against time, from ${low.toFixed(c.digits)} to ${high.toFixed(c.digits)}` });
  for (const v of ticks) {
    root.append(svg("line", { x1: LEFT, x2: WIDE - RIGHT, y1: y(v), y2: y(v), stroke: "var(--line)" }));
    root.append(svg("text", { x: LEFT - 6, y: y(v) + 4, "text-anchor": "end" }, v.toFixed(digits)));
  }
  for (const t of [t0, (t0 + t1) / 2, t1]) root.append(svg("text", { x: x(t), y: TALL - 4, "text-anchor": t === t0 ? "start" : t === t1 ? "end" : "middle" }, clock(new Date(t).toISOString())));
  const band = svg("rect", { class: "band", visibility: "hidden" });
  root.append(band);
  for (const p of points) {
    const m = mark(svg, p.s.sub.filter ?? "", x(p.t), y(p.v), 5);
    if (!kept(p.s)) { m.setAttribute("fill", "none"); m.setAttribute("opacity", "0.9"); }
    if (chosen.has(p.s.id)) root.append(svg("circle", { class: "ring", cx: x(p.t), cy: y(p.v), r: 9 }));
    root.append(m);
  }
  brush(root, band, points.map((p) => ({ id: p.s.id, x: x(p.t), y: y(p.v) })));
  figure.append(root);
  return figure;
}

// Dragging chooses what lies in the band: across for a span of time, up and down for a span of values, else both.
function brush(root, band, points) {
  let from = null;
  const at = (e) => { const box = root.getBoundingClientRect(); return [((e.clientX - box.left) / box.width) * WIDE, ((e.clientY - box.top) / box.height) * TALL]; };
  const span = (a, b) => {
    let [x0, x1] = [Math.min(a[0], b[0]), Math.max(a[0], b[0])], [y0, y1] = [Math.min(a[1], b[1]), Math.max(a[1], b[1])];
    if (y1 - y0 < 10) [y0, y1] = [0, TALL];
    else if (x1 - x0 < 10 || from.axis) [x0, x1] = [LEFT, WIDE];
    return [x0, y0, x1, y1];
  };
  root.addEventListener("pointerdown", (e) => { from = at(e); from.axis = from[0] < LEFT; root.setPointerCapture(e.pointerId); });
  root.addEventListener("pointermove", (e) => {
    if (!from) return;
    const [x0, y0, x1, y1] = span(from, at(e));
    for (const [k, v] of [["x", x0], ["y", y0], ["width", x1 - x0], ["height", y1 - y0], ["visibility", "visible"]]) band.setAttribute(k, v);
  });
  root.addEventListener("pointerup", (e) => {
    if (!from) return;
    const to = at(e), still = Math.hypot(to[0] - from[0], to[1] - from[1]) < 5;
    const [x0, y0, x1, y1] = span(from, to);
    const hit = still ? points.filter((p) => Math.hypot(p.x - to[0], p.y - to[1]) < 14).slice(0, 1) : points.filter((p) => p.x >= x0 && p.x <= x1 && p.y >= y0 && p.y <= y1);
    if (!still) chosen.clear();
    for (const p of hit) if (still && chosen.has(p.id)) chosen.delete(p.id); else chosen.add(p.id);
    if (still && !hit.length) chosen.clear();
    from = null;
    charts.replaceChildren(...SERIES.map(chart));
    drawPicked();
  });
  root.addEventListener("pointercancel", () => { from = null; band.setAttribute("visibility", "hidden"); });
}

function drawPicked() {
  const subs = report.subs.filter((s) => chosen.has(s.id));
  const good = subs.filter(kept), bad = subs.filter((s) => !kept(s));
  const worth = (list) => hours(list.reduce((t, s) => t + (s.clear_s ?? 0), 0));
  const parts = [];
  if (good.length) parts.push(h("button", { type: "button", onclick: () => decide(good, "drop") }, `Drop ${many(good.length, "sub")}, ${worth(good)} of clear sky`));
  if (bad.length) parts.push(h("button", { type: "button", onclick: () => decide(bad, "keep") }, `Keep ${many(bad.length, "sub")}, ${worth(bad)} of clear sky`));
  if (subs.length) parts.push(h("button", { type: "button", class: "quiet", onclick: () => { chosen.clear(); draw(); } }, "Choose none"));
  if (undo.length) parts.push(h("button", { type: "button", onclick: takeBack }, "Undo the last decision"));
  picked.replaceChildren(h("p", { class: "small" }, subs.length ? `${many(subs.length, "sub")} chosen.` : "Drag over a chart to choose subs; tap a picture to look through them."), h("div", { class: "row" }, parts));
}

async function decide(subs, verdict) {
  const before = subs.map((s) => [s.id, s.decided ?? "clear"]);
  const done = await attempt(() => post("/api/decide", { subs: subs.map((s) => s.id), verdict }));
  if (!done) return;
  undo.push(before);
  chosen.clear();
  await refresh();
}

async function takeBack() {
  const before = undo.pop();
  if (!before) return;
  for (const verdict of ["keep", "drop", "clear"]) {
    const ids = before.filter(([, v]) => v === verdict).map(([id]) => id);
    if (ids.length) await attempt(() => post("/api/decide", { subs: ids, verdict }));
  }
  await refresh();
}

async function refresh() {
  const fresh = await attempt(() => get(`/api/nights/${report.night}`));
  if (!fresh) return;
  report = sorted(fresh);
  draw();
  if (!viewing.hidden) describe();
}

// -- the viewer ---------------------------------------------------------------------------------------------------------
let viewer = null, place = 0;
const canvas = h("canvas", { "aria-label": "The sub; plus and minus zoom, 1 shows single pixels, 0 the whole" });
const said = h("p", { role: "status" }), under = h("p", { class: "small" });
const keepButton = h("button", { type: "button", onclick: () => verdict("keep") }, "Keep"), dropButton = h("button", { type: "button", onclick: () => verdict("drop") }, "Drop");
const undoButton = h("button", { type: "button", onclick: takeBack }, "Undo");
viewing.append(
  h("div", { class: "row spread" }, said, h("div", { class: "row" }, h("button", { type: "button", onclick: shut }, "Back to the night"))),
  canvas,
  h("div", { class: "row" },
    h("button", { type: "button", onclick: () => step(-1) }, "Previous"), h("button", { type: "button", onclick: () => step(1) }, "Next"), keepButton, dropButton, undoButton,
    h("button", { type: "button", onclick: () => viewer.zoomTo(8) }, "Single pixels"), h("button", { type: "button", onclick: () => viewer.fit() }, "Whole")),
  under,
);

async function open(i) {
  place = i;
  overview.hidden = true;
  viewing.hidden = false;
  if (!viewer) {
    viewer = new Viewer(canvas);
    viewer.addEventListener("trouble", (e) => { under.textContent = e.detail; });
    viewer.addEventListener("idle", ahead);
  }
  canvas.focus();
  await showSub();
}
async function showSub() {
  const s = report.subs[place];
  describe();
  await attempt(() => viewer.open(`/api/subs/${s.id}`));
}
// The next sub is made ready on the server while this one is looked at.
let readied = null;
function ahead() {
  const next = report.subs[(place + 1) % report.subs.length].id;
  if (viewing.hidden || readied === next) return;
  readied = next;
  fetch(`/api/subs/${next}/view`).catch(() => { readied = null; });
}
function describe() {
  const s = report.subs[place], n = s.sub;
  const facts = SERIES.filter((c) => c.of(s) !== null).map((c) => `${c.name.toLowerCase()} ${number(c.of(s), c.digits)}${c.unit}`);
  said.textContent = `${place + 1} of ${report.subs.length}: ${n.rig ?? ""} ${words(n.filter ?? "no filter")} at ${clock(n.start)}, ${kept(s) ? "kept" : "dropped"}${s.decided ? " by you" : ""}. ${n.causes.map((c) => c.detail).join("; ")}`;
  under.textContent = `${s.name}: ${facts.join(", ") || "not measured yet"}. Left and right arrows step, K keeps, D drops, U takes back, Escape closes.`;
  keepButton.setAttribute("aria-pressed", String(kept(s)));
  dropButton.setAttribute("aria-pressed", String(!kept(s)));
  undoButton.disabled = !undo.length;
}
function step(by) {
  place = (place + by + report.subs.length) % report.subs.length;
  showSub();
}
async function verdict(what) { await decide([report.subs[place]], what); }
function shut() {
  viewing.hidden = true;
  overview.hidden = false;
  body.querySelector(`[data-sub="${report.subs[place].id}"] button`)?.focus();
}
document.addEventListener("keydown", (e) => {
  if (viewing.hidden || e.ctrlKey || e.metaKey || e.altKey) return;
  const act = { ArrowLeft: () => step(-1), ArrowRight: () => step(1), k: () => verdict("keep"), d: () => verdict("drop"), u: takeBack, Escape: shut }[e.key.length === 1 ? e.key.toLowerCase() : e.key];
  if (act) { e.preventDefault(); act(); }
});

draw();
// The latest night may still be under way: new subs and verdicts come in by themselves while somebody looks.
if (report.after === null)
  setInterval(async () => {
    if (document.hidden || !viewing.hidden || chosen.size || undo.length) return;
    try {
      const fresh = sorted(await get(`/api/nights/${report.night}`));
      if (JSON.stringify(fresh) === JSON.stringify(report)) return;
      report = fresh;
      draw();
    } catch { /* told when something is asked for */ }
  }, 15000);
