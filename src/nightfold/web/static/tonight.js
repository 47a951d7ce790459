// Tonight: the night's chart and blocks, exposure advice, framing, calibration still to shoot, cautions, sheet and calendar.
import { attempt, first, get, h, main, number, post, start } from "./base.js";
import { chart } from "./charts.js";
import { chooser } from "./chooser.js";
import { words } from "./marks.js";

let plan = null;
const clock = (time) => (time ? new Date(time).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: plan.time_zone ?? "UTC" }) : "–");
const body = h("div"), made = h("div", { class: "row" });
const watch = h("section", { "aria-label": "Watch tonight" });
main.replaceChildren(watch, body);

// -- watching: one switch -----------------------------------------------------------------------------------------------
let watched = null;
async function lookAtWatch() {
  if (document.hidden) return;
  try { watched = (await get("/api/watching")).watch; } catch { return; }
  drawWatch();
}
function drawWatch() {
  const place = h("div");
  if (!watched) {
    const again = first.folder ? h("button", { type: "button", onclick: () => begin(first.folder) }, "Watch the last folder") : "";
    watch.replaceChildren(h("div", { class: "row" }, again, h("button", { type: "button", onclick: () => chooser(place, "Watch this folder", begin) }, again ? "Watch another folder" : "Watch a folder tonight"), h("span", { class: "small" }, "New subs are judged as they come; you are told when one needs you.")), place);
    return;
  }
  watch.replaceChildren(h("div", { class: "row spread" }, h("p", {}, `${watched.what}.`), h("button", { type: "button", onclick: end }, "Stop watching")), h("ul", { class: "plain said", "aria-live": "polite" }, watched.said.slice(-6).reverse().map((t) => h("li", {}, t))));
}
async function begin(folder) {
  watched = (await attempt(() => post("/api/work/watch", { folder }))) ?? null;
  drawWatch();
}
async function end() {
  await attempt(() => post(`/api/jobs/${watched.id}/stop`));
  watched = null;
  drawWatch();
}
setInterval(lookAtWatch, 5000);
document.addEventListener("visibilitychange", lookAtWatch);
lookAtWatch();
drawWatch();

async function draw(day) {
  body.replaceChildren(h("h1", {}, "Planning the night …"), h("p", { class: "small" }, "Sun, Moon and targets, then the best order of filters. This takes a few seconds."));
  const found = await attempt(() => get(`/api/charts/tonight${day ? `?day=${day}` : ""}`));
  if (!found) { body.replaceChildren(h("h1", {}, "This night cannot be planned yet")); return; }
  plan = found.plan;
  const shift = (by) => { const d = new Date(`${plan.date}T12:00Z`); d.setUTCDate(d.getUTCDate() + by); return d.toISOString().slice(0, 10); };
  const dark = plan.dark_start ? `Dark from ${clock(plan.dark_start)} to ${clock(plan.dark_end)}.` : "It does not get fully dark.";
  const moon = plan.moon ? `The Moon is ${Math.round(plan.moon.illuminated_fraction * 100)} % lit${plan.moon.rise || plan.moon.set ? `, ${plan.moon.rise ? `rises ${clock(plan.moon.rise)}` : ""}${plan.moon.rise && plan.moon.set ? ", " : ""}${plan.moon.set ? `sets ${clock(plan.moon.set)}` : ""}` : ""}.` : "";
  body.replaceChildren(
    h("div", { class: "row spread" }, h("h1", {}, `Night of ${plan.date}`), h("div", { class: "row" }, h("button", { type: "button", onclick: () => draw(shift(-1)) }, "Night before"), h("button", { type: "button", onclick: () => draw(shift(1)) }, "Night after"))),
    h("p", {}, `Sunset ${clock(plan.sunset)}, sunrise ${clock(plan.sunrise)}. ${dark} ${moon}`),
    await drawn(found.chart),
    blocks(), h("div", { class: "row" }, h("button", { type: "button", onclick: () => write("sheet", "The sheet") }, "Write the sheet"), h("button", { type: "button", onclick: () => write("calendar", "The calendar") }, "Write the calendar")), made,
    list("What happens when", plan.events.map((e) => `${clock(e.at)}: ${e.what}${e.rig ? `, ${e.rig}` : ""}`)),
    list("Take care", plan.cautions),
    list("Calibration still to shoot", [...plan.calibration.map((c) => c.sentence), ...plan.dawn.map((d) => d.sentence)]),
    list("Room on the disk", plan.disk.map((d) => d.sentence)),
    advice(),
    list("What the plan takes for granted", [...plan.notes, ...plan.missing]),
  );
}

async function drawn(spec) {
  return (await attempt(() => chart(spec, "Heights of the targets over the night, twilight, the Moon, and what is shot when"))) ?? "";
}
function list(title, lines) { return lines.length ? h("section", {}, h("h2", {}, title), h("ul", { class: "plain said" }, lines.map((t) => h("li", {}, t.charAt(0).toUpperCase() + t.slice(1) + (t.endsWith(".") ? "" : "."))))) : ""; }
function blocks() {
  if (!plan.blocks.length) return h("p", {}, "Nothing is to be shot this night.");
  const rows = plan.blocks.map((b) => h("tr", {}, h("td", {}, `${clock(b.start)}–${clock(b.end)}`), h("td", {}, b.rig), h("td", {}, words(b.filter)), h("td", {}, `${b.subs} × ${number(b.sub_s, 0)} s`), h("td", {}, b.target + (b.panel ? `, panel ${b.panel}` : "")), h("td", {}, b.why)));
  return h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, ["When", "Rig", "Filter", "Subs", "Target", "Why"].map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, rows)));
}
async function write(kind, name) {
  const record = await attempt(() => start(kind, { day: plan.date }));
  if (record?.state !== "done") return;
  made.append(h("a", { class: "button", href: `/api/jobs/${record.id}/file`, download: "" }, `${name} for ${plan.date}`));
}

function advice() {
  const said = h("div"), buttons = first.rigs.flatMap((r) => r.filters.map((f) => h("button", { type: "button", onclick: () => exposure(r.name, f, said) }, `${r.name}, ${words(f)}`)));
  const framed = h("div"), frames = first.rigs.map((r) => h("button", { type: "button", onclick: () => frame(r.name, framed) }, r.name));
  return h("div", {}, h("h2", {}, "How long a sub shall be"), h("div", { class: "row" }, buttons), said, h("h2", {}, "How the target lies on the sensor"), h("div", { class: "row" }, frames), framed);
}
async function exposure(rig, filter, place) {
  const found = await attempt(() => get(`/api/exposure?rig=${encodeURIComponent(rig)}&filter=${encodeURIComponent(filter)}`));
  if (found) place.replaceChildren(h("p", {}, `${rig}, ${words(filter)}: ${number(found.recommended_s, 0)} s, anything from ${number(found.least_s, 0)} to ${number(found.most_s, 0)} s will do. ${found.why}`));
}
async function frame(rig, place) {
  const found = await attempt(() => get(`/api/frame?rig=${encodeURIComponent(rig)}`));
  if (!found) return;
  const turn = found.turn_by_deg === null ? "" : Math.abs(found.turn_by_deg) < 0.5 ? "The camera stands right." : `Turn the camera by ${Math.abs(found.turn_by_deg).toFixed(1)}° ${found.turn_by_deg > 0 ? "clockwise" : "counter-clockwise"}, seen from behind it${found.area_lost ? `; else ${(found.area_lost * 100).toFixed(0)} % of the frame is lost` : ""}.`;
  const panels = found.panels.length > 1 ? `${found.columns} × ${found.rows} panels.` : "";
  place.replaceChildren(h("p", {}, `${rig}: ${found.scale_arcsec_px.toFixed(2)}″ a pixel, ${found.width_deg.toFixed(2)}° × ${found.height_deg.toFixed(2)}°. ${panels} ${turn}`), list("In the frame", found.objects.slice(0, 8)));
}
draw("");
