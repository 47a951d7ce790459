// Tonight: the night's chart and blocks, exposure advice, framing, calibration still to shoot, cautions, sheet and calendar.
import { attempt, day, first, get, h, main, number, start, svg } from "./base.js";
import { chart } from "./charts.js";
import { named, spelt, words } from "./marks.js";
import { watch } from "./watching.js";

let plan = null;
// To the nearest minute, as on the sheet and in the terminal.
const clock = (time) => (time ? new Date(Math.round(Date.parse(time) / 60000) * 60000).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: plan.time_zone ?? "UTC" }) : "–");
const body = h("div"), made = h("div", { class: "row" });
main.replaceChildren(watch, body);

async function draw(date) {
  body.replaceChildren(h("h1", {}, "Planning the night …"), h("p", { class: "small" }, "Sun, Moon and targets, then the best order of filters. This takes a few seconds."));
  const found = await attempt(() => get(`/api/charts/tonight${date ? `?day=${date}` : ""}`));
  if (!found) { body.replaceChildren(h("h1", {}, "This night cannot be planned yet"), h("p", {}, "A plan needs to know where you are, with what you shoot, and what you want."), fill()); return; }
  plan = found.plan;
  const shift = (by) => { const d = new Date(`${plan.date}T12:00Z`); d.setUTCDate(d.getUTCDate() + by); return d.toISOString().slice(0, 10); };
  const dark = plan.dark_start ? `Dark from ${clock(plan.dark_start)} to ${clock(plan.dark_end)}.` : "It does not get fully dark.";
  const moon = plan.moon ? `The Moon is ${Math.round(plan.moon.illuminated_fraction * 100)} % lit${plan.moon.rise || plan.moon.set ? `, ${plan.moon.rise ? `rises ${clock(plan.moon.rise)}` : ""}${plan.moon.rise && plan.moon.set ? ", " : ""}${plan.moon.set ? `sets ${clock(plan.moon.set)}` : ""}` : ""}.` : "";
  body.replaceChildren(
    h("div", { class: "row spread" }, h("h1", {}, `Night of ${day(plan.date)}`), h("div", { class: "row" }, h("button", { type: "button", onclick: () => draw(shift(-1)) }, "Night before"), h("button", { type: "button", onclick: () => draw(shift(1)) }, "Night after"))),
    h("p", {}, `Sunset ${clock(plan.sunset)}, sunrise ${clock(plan.sunrise)}. ${dark} ${moon}`),
    await drawn(found.chart),
    blocks(), h("div", { class: "row" }, h("button", { type: "button", onclick: () => write("sheet", "The sheet") }, "Write the sheet"), h("button", { type: "button", onclick: () => write("calendar", "The calendar") }, "Write the calendar")), made,
    list("What happens when", plan.events.map((e) => `${clock(e.at)}: ${e.what}${e.rig ? `, ${e.rig}` : ""}`)),
    list("Take care", plan.cautions),
    list("Calibration still to shoot", [...plan.calibration.map((c) => c.sentence), ...plan.dawn.map((d) => d.sentence)].map(dated)),
    list("Room on the disk", plan.disk.map((d) => d.sentence)),
    advice(),
    list("What the plan takes for granted", [...plan.notes, ...plan.missing].map(plainly)),
    plan.missing.length ? fill() : "",
  );
}

function fill() { return h("div", { class: "row after" }, h("a", { class: "button", href: "/settings" }, "Fill in site, rigs and goals")); }

// Keys of campaign.toml as the form calls them: who reads here never opens that file.
const KEYS = {
  "[[target.goal]]": "goal", "[[target.panel]]": "panel", "[[target]]": "target", "[[rig.filter]]": "filter", "[[rig]]": "rig", "site.sky_mag_arcsec2": "darkness of the sky", "site.seeing_arcsec": "usual seeing", "site.clear_night_probability": "share of clear nights",
  "site.night_cooling_c": "cooling over a night", night_cooling_c: "cooling over a night", "telescope.tube": "material of the tube", "telescope.focal_length_mm": "focal length", "telescope.aperture_mm": "aperture", "camera.quantum_efficiency": "quantum efficiency of the camera",
  "camera.dark_e_per_s": "dark current of the camera", "camera.gains": "the camera's gain", read_noise_e: "read-out noise",
};
const LONGEST_FIRST = Object.keys(KEYS).sort((a, b) => b.length - a.length);
function plainly(text) { return LONGEST_FIRST.reduce((t, key) => t.replaceAll(key, KEYS[key]), text); }
const dated = (text) => text.replace(/\b\d{4}-\d{2}-\d{2}\b/g, day);

async function drawn(spec) {
  return (await attempt(() => chart(spec, "Heights of the targets over the night, twilight, the Moon, and what is shot when"))) ?? "";
}
function list(title, lines) { return lines.length ? h("section", {}, h("h2", {}, title), h("ul", { class: "plain said" }, lines.map((t) => h("li", {}, spelt(t.charAt(0).toUpperCase() + t.slice(1) + (t.endsWith(".") ? "" : ".")))))) : ""; }
function blocks() {
  if (!plan.blocks.length) return h("p", {}, "Nothing is to be shot this night.");
  const rows = plan.blocks.map((b) => h("tr", {}, h("td", {}, `${clock(b.start)}–${clock(b.end)}`), h("td", {}, b.rig), h("td", {}, named(h, svg, b.filter)), h("td", {}, `${b.subs} × ${number(b.sub_s, 0)} s`), h("td", {}, b.target + (b.panel ? `, panel ${b.panel}` : "")), h("td", {}, b.why)));
  return h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, ["When", "Rig", "Filter", "Subs", "Target", "Why"].map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, rows)));
}
async function write(kind, name) {
  const record = await attempt(() => start(kind, { day: plan.date }));
  if (record?.state !== "done") return;
  made.append(h("a", { class: "button", href: `/api/jobs/${record.id}/file`, download: "" }, `${name} for ${plan.date}`));
}

// Buttons of which one is pressed; what it shows comes below them.
function chosen(title, choices, show) {
  const said = h("div"), buttons = choices.map((c) => h("button", { type: "button", "aria-pressed": "false", onclick: async (e) => {
    for (const b of buttons) b.setAttribute("aria-pressed", String(b === e.currentTarget));
    await show(c, said);
  } }, c.text));
  return h("section", {}, h("h2", {}, title), h("div", { class: "row", role: "group", "aria-label": title }, buttons), said);
}
function advice() {
  const lengths = first.rigs.flatMap((r) => r.filters.map((f) => ({ rig: r.name, filter: f, text: first.rigs.length > 1 ? `${r.name}, ${words(f)}` : words(f) })));
  return h("div", {},
    chosen("How long a sub shall be", lengths, exposure),
    chosen("How the target lies on the sensor", first.rigs.map((r) => ({ rig: r.name, text: r.name })), frame),
    chosen("What the year holds", [{ text: "Usable hours of every target, night by night" }], season));
}
const query = (values) => new URLSearchParams(Object.entries(values).filter(([, v]) => v)).toString();
async function exposure({ rig, filter }, place) {
  const found = await attempt(() => get(`/api/exposure?${query({ rig, filter })}`));
  if (!found) return;
  place.replaceChildren(h("p", {}, `${rig}, ${words(filter)}: ${number(found.recommended_s, 0)} s, anything from ${number(found.least_s, 0)} to ${number(found.most_s, 0)} s will do.`));
  const spec = await attempt(() => get(`/api/charts/exposure?${query({ rig, filter })}`));
  if (spec) place.append((await attempt(() => chart(spec, `Hours to the same depth against the length of a sub, ${rig}, ${words(filter)}`))) ?? "");
}
async function season(_, place) {
  const record = await attempt(() => start("season"));
  const spec = record?.state === "done" ? record.result : null;
  place.replaceChildren(spec ? (await attempt(() => chart(spec, "Usable hours of each target over the year, without the Moon and with it"))) ?? "" : "");
}
async function frame({ rig }, place) {
  const found = await attempt(() => get(`/api/frame?${query({ rig })}`));
  if (!found) return;
  const turn = found.turn_by_deg === null ? "" : Math.abs(found.turn_by_deg) < 0.5 ? "The camera stands right." : `Turn the camera by ${Math.abs(found.turn_by_deg).toFixed(1)}° ${found.turn_by_deg > 0 ? "clockwise" : "counter-clockwise"}, seen from behind it${found.area_lost ? `; else ${(found.area_lost * 100).toFixed(0)} % of the frame is lost` : ""}.`;
  const panels = found.panels.length > 1 ? `${found.columns} × ${found.rows} panels.` : "";
  place.replaceChildren(h("p", {}, `${rig}: ${found.scale_arcsec_px.toFixed(2)}″ a pixel, ${found.width_deg.toFixed(2)}° × ${found.height_deg.toFixed(2)}°. ${panels} ${turn}`));
  const spec = found.panels.length ? await attempt(() => get(`/api/charts/frame?${query({ rig, width: 620 })}`)) : null;
  place.append(spec ? (await attempt(() => chart(spec, `The sky around the target with the frame of ${rig}`))) ?? "" : "", list("In the frame", found.objects.slice(0, 8)));
}
draw("");
