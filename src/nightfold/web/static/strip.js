// The campaign as a row of nights: Moon above, hours kept by filter stacked and dropped hours hollow, sharpness and sky below.
// It draws the document that `nightfold show` prints; tonight, once planned, is a column at the right end in the accent's colour.
import { day, h, hours, svg } from "./base.js";
import { look, mark, words } from "./marks.js";

const DAY_MS = 86400000;
const TOP = 44, HOURS = 150, LINES = 54, LABELS = 30, LEFT = 46, RIGHT = 140, NARROWEST = 64, WIDEST = 132, GAP = 12;
let SLOT = NARROWEST;

export function strip(report, room) {
  const { nights, tonight } = report;
  if (!nights.length) return h("p", {}, "No night has subs yet.");
  const number = (n) => Date.parse(`${n.date}T00:00Z`) / DAY_MS;
  // Gaps read true up to a fortnight; longer ones are drawn as long as a fortnight. Few nights take the room there is.
  const gaps = nights.map((n, i) => (i ? Math.min(14, number(n) - number(nights[i - 1]) - 1) : 0));
  const far = tonight ? Math.min(14, Math.max(0, number(tonight) - number(nights.at(-1)) - 1)) : 0;
  const empty = GAP * (gaps.reduce((t, g) => t + g, 0) + far);
  SLOT = Math.max(NARROWEST, Math.min(WIDEST, Math.floor((room - LEFT - RIGHT - empty) / (nights.length + 1))));
  const places = [];
  let x = LEFT;
  nights.forEach((n, i) => {
    x += i ? SLOT + gaps[i] * GAP : 0;
    places.push(x);
  });
  const tonightAt = x + SLOT + far * GAP;
  const width = Math.max((tonight ? tonightAt : x) + SLOT + RIGHT, 320), height = TOP + HOURS + LINES + LABELS;
  const sum = (list) => list.reduce((t, f) => t + f.kept_h + f.dropped_h, 0);
  const most = Math.max(...nights.map((n) => sum(n.filters)), sum(tonight?.filters ?? []), 0.5);
  const root = svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "group", "aria-label": "The nights of the campaign" });
  const base = TOP + HOURS;
  const perHour = HOURS / most;
  const every = most > 8 ? 4 : most > 3 ? 2 : most > 1.5 ? 1 : 0.5;
  for (let t = 0; t <= most + 1e-9; t += every) {
    const y = base - t * perHour;
    root.append(svg("line", { x1: 40, x2: width - RIGHT, y1: y, y2: y, stroke: "var(--line)" }));
    root.append(svg("text", { x: 34, y: y + 4, "text-anchor": "end" }, t === 0 ? "0" : t === 0.5 ? "½ h" : t % 1 ? `${Math.floor(t)}½ h` : `${t} h`));
  }
  nights.forEach((n, i) => root.append(night(n, places[i], base, perHour, report.southern)));
  if (tonight) root.append(coming(tonight, tonightAt, base, perHour, report.southern));
  root.append(line(nights, places, (n) => n.fwhm_arcsec ?? n.fwhm_px, base + 8, 18, "", "sharpness"));
  root.append(line(nights, places, (n) => n.sky_over_usual, base + 34, 18, "4 3", "sky"));
  const right = places.at(-1) + SLOT + 4;
  const last = nights.at(-1);
  const sharp = last.fwhm_arcsec !== null ? `${last.fwhm_arcsec.toFixed(1)}″ wide stars` : last.fwhm_px !== null ? `${last.fwhm_px.toFixed(1)} px wide stars` : "";
  if (sharp) root.append(svg("text", { x: right, y: base + 22 }, sharp));
  if (last.sky_over_usual !== null) root.append(svg("text", { x: right, y: base + 48 }, `sky ${last.sky_over_usual.toFixed(1)} × usual`));
  const names = h("p", { class: "legend" }, report.filters.map((f) => h("span", {}, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, f, 7, 7)), words(f))), h("span", {}, "hollow: dropped"));
  return h("div", {}, h("div", { class: "strip", tabindex: 0, role: "region", "aria-label": "Row of nights" }, root), names);
}

function night(n, x, base, perHour, southern) {
  const told = n.filters.map((f) => `${words(f.filter)} ${hours(3600 * f.kept_h)} kept${f.dropped_h ? `, ${hours(3600 * f.dropped_h)} dropped` : ""}`).join("; ");
  const lit = n.moon_illuminated_fraction;
  const a = svg("a", { href: `/nights/${n.date}`, "aria-label": `Night of ${day(n.date)}: ${told}.${lit === null ? "" : ` Moon ${Math.round(lit * 100)} % lit.`}` });
  a.append(svg("rect", { class: "frame", x, y: 2, width: SLOT - 6, height: base + LINES + LABELS - 6, rx: 5 }));
  if (lit !== null) a.append(moon(x + (SLOT - 6) / 2, 22, 13, lit, n.moon_waxing !== southern));
  let y = base;
  const w = SLOT - 30, left = x + (SLOT - 6 - w) / 2;
  for (const f of n.filters) {
    const tall = f.kept_h * perHour;
    if (tall > 0) {
      y -= tall;
      a.append(svg("rect", { x: left, y: y + 0.5, width: w, height: Math.max(1, tall - 1), fill: look(f.filter).colour }));
      if (tall > 13) {
        const m = mark(svg, f.filter, left + w / 2, y + tall / 2, 4);
        m.setAttribute("fill", "#0a1011");
        m.setAttribute("stroke", "#0a1011");
        for (const t of m.querySelectorAll("text")) t.style.fill = "#0a1011";
        a.append(m);
      }
    }
  }
  for (const f of n.filters) {
    const tall = f.dropped_h * perHour;
    if (tall > 0) {
      y -= tall;
      a.append(svg("rect", { x: left + 1, y: y + 1, width: w - 2, height: Math.max(1, tall - 2), fill: "none", stroke: look(f.filter).colour, "stroke-width": 1.5, "stroke-dasharray": look(f.filter).strokes }));
    }
  }
  a.append(svg("text", { class: "ink", x: x + (SLOT - 6) / 2, y: base + LINES + 18, "text-anchor": "middle" }, day(n.date)));
  return a;
}

function coming(tonight, x, base, perHour, southern) {
  const told = tonight.filters.map((f) => `${words(f.filter)} ${f.kept_h.toFixed(1)} h`).join(", ") || "nothing";
  const a = svg("a", { href: "/tonight", "aria-label": `Tonight would add ${told}` });
  a.append(svg("rect", { class: "frame", x, y: 2, width: SLOT - 6, height: base + LINES + LABELS - 6, rx: 5 }));
  if (tonight.moon_illuminated_fraction !== null) a.append(moon(x + (SLOT - 6) / 2, 22, 13, tonight.moon_illuminated_fraction, tonight.moon_waxing !== southern));
  let y = base;
  const w = SLOT - 30, left = x + (SLOT - 6 - w) / 2;
  for (const f of tonight.filters.filter((v) => v.kept_h > 0)) {
    const tall = f.kept_h * perHour;
    y -= tall;
    a.append(svg("rect", { x: left + 1, y: y + 1, width: w - 2, height: Math.max(2, tall - 2), fill: "none", stroke: "var(--amber)", "stroke-width": 2 }));
    if (tall > 13) a.append(mark(svg, f.filter, left + w / 2, y + tall / 2, 4));
  }
  if (y === base) a.append(svg("line", { x1: left, x2: left + w, y1: base - 1, y2: base - 1, stroke: "var(--amber)", "stroke-width": 2 }));
  a.append(svg("text", { class: "ink", x: x + (SLOT - 6) / 2, y: base + LINES + 18, "text-anchor": "middle" }, "tonight"));
  return a;
}

// The Moon's disc, lit as it was: the terminator is half an ellipse.
export function moon(cx, cy, r, fraction, right) {
  const g = svg("g");
  g.append(svg("circle", { cx, cy, r, fill: "var(--raised)", stroke: "var(--edge)" }));
  const k = r * Math.abs(1 - 2 * fraction), side = right ? 1 : 0, bulge = fraction > 0.5 ? side : 1 - side;
  if (fraction > 0.01) g.append(svg("path", { d: `M${cx} ${cy - r}A${r} ${r} 0 0 ${side} ${cx} ${cy + r}A${k} ${r} 0 0 ${bulge} ${cx} ${cy - r}Z`, fill: "#d8d4c4" }));
  return g;
}

function line(nights, places, value, top, tall, dash, what) {
  const known = nights.map((n, i) => [places[i] + (SLOT - 6) / 2, value(n)]).filter(([, v]) => v !== null && v !== undefined);
  const g = svg("g", { "aria-hidden": "true" });
  if (!known.length) return g;
  const low = Math.min(...known.map(([, v]) => v)), high = Math.max(...known.map(([, v]) => v));
  const y = (v) => top + tall - ((v - low) / Math.max(high - low, 0.15 * high, 1e-9)) * tall;
  const d = known.map(([x, v], i) => `${i ? "L" : "M"}${x} ${y(v)}`).join("");
  g.append(svg("path", { d, fill: "none", stroke: "var(--soft)", "stroke-width": 1.5, "stroke-dasharray": dash }));
  for (const [x, v] of known) g.append(svg("circle", { cx: x, cy: y(v), r: 2.5, fill: "var(--soft)" }));
  g.dataset.what = what;
  return g;
}
