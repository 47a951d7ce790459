// Site, rigs, targets and goals: short forms with what is usual beside them; a mistake is told before anything is written.
import { attempt, first, get, h, main, post, tell } from "./base.js";
import { words } from "./marks.js";

let settings = first.settings;

const SITE = [
  ["latitude_deg", "Latitude, degrees, north positive", "number", "such as −33.9"], ["longitude_deg", "Longitude, degrees, east positive", "number", "such as 150.2"],
  ["elevation_m", "Height, metres", "number", "0 to 9000"], ["time_zone", "Time zone", "text", "such as Australia/Sydney"],
  ["sky_mag_arcsec2", "Darkness of the sky, magnitudes per square arcsecond", "number", "19 suburb, 21 country, 22 desert"],
  ["seeing_arcsec", "Usual seeing, arcseconds", "number", "2 to 4 in most places"], ["clear_night_probability", "Share of nights that are clear", "number", "0 to 1"],
];
const TELESCOPE = [["aperture_mm", "Aperture, mm"], ["focal_length_mm", "Focal length, mm"], ["obstruction_mm", "Obstruction, mm"]];
const CAMERA = [["pixel_um", "Pixel, µm"], ["width_px", "Width, px"], ["height_px", "Height, px"]];

const shown = (v) => (v === null || v === undefined || typeof v === "object" ? "" : String(v));
function field(id, label, kind, value, hint) {
  const input = h("input", { id, name: id, type: "text", inputmode: kind === "number" ? "decimal" : "text", value: shown(value), autocomplete: "off", "aria-describedby": hint ? `${id}-hint` : null });
  return h("div", { class: "field" }, h("label", { for: id }, label), input, hint ? h("span", { class: "small", id: `${id}-hint` }, hint) : "");
}
// What a person typed, as a value: nothing is null, a comma or a true minus sign is read as meant.
function typed(form, id, kind) {
  const text = form.elements[id].value.trim();
  if (!text) return null;
  if (kind !== "number") return text;
  const value = Number(text.replace("−", "-").replace(",", "."));
  if (Number.isNaN(value)) { form.elements[id].focus(); throw new Error(`“${text}” is not a number.`); }
  return value;
}
function form(title, button, parts, changes) {
  const element = h("form", { onsubmit: (e) => { e.preventDefault(); attempt(() => save(changes(e.currentTarget), title)); } }, h("h2", {}, title), h("div", { class: "fields" }, parts), h("button", { type: "submit" }, button));
  return element;
}
async function save(changes, title) {
  if (!changes.length) { tell("Nothing was changed."); return; }
  await post("/api/settings", { changes });
  settings = await get("/api/settings");
  draw();
  tell(`${title}: saved in campaign.toml.`);
}
const differs = (a, b) => (a ?? null) !== (b ?? null);

function site() {
  const now = settings.site ?? {};
  return form("Site", "Save the site", SITE.map(([key, label, kind, hint]) => field(`site-${key}`, label, kind, now[key], hint)),
    (f) => SITE.map(([key, , kind]) => ({ path: ["site", key], value: typed(f, `site-${key}`, kind) })).filter((c) => differs(c.value, typeof now[c.path[1]] === "object" ? null : now[c.path[1]])));
}
function rig(r, i) {
  const all = [...TELESCOPE.map(([k, l]) => ["telescope", k, l]), ...CAMERA.map(([k, l]) => ["camera", k, l])];
  return form(`Rig ${r.name}`, "Save the rig", all.map(([part, key, label]) => field(`rig-${i}-${key}`, label, "number", r[part]?.[key], "")),
    (f) => all.map(([part, key]) => ({ path: ["rig", i, part, key], value: typed(f, `rig-${i}-${key}`, "number") })).filter((c) => differs(c.value, r[c.path[2]]?.[c.path[3]])));
}
function target(t, i) {
  const goals = t.goal.map((g, j) => ({ g, j })).filter(({ g }) => g.hours !== null || g.surface_brightness_rayleigh !== null || g.surface_brightness_mag_arcsec2 !== null);
  const measure = (g) => (g.hours !== null ? "hours" : g.surface_brightness_rayleigh !== null ? "surface_brightness_rayleigh" : "surface_brightness_mag_arcsec2");
  const unit = { hours: "hours", surface_brightness_rayleigh: "rayleigh", surface_brightness_mag_arcsec2: "magnitudes per square arcsecond" };
  const free = [...new Set(settings.rig.flatMap((r) => r.filter.map((x) => x.name)))].filter((n) => !t.goal.some((g) => g.filter === n));
  const parts = [
    field(`target-${i}-ra_deg`, "Right ascension, degrees", "number", t.ra_deg, ""), field(`target-${i}-dec_deg`, "Declination, degrees", "number", t.dec_deg, ""),
    ...goals.map(({ g, j }) => field(`goal-${i}-${j}`, `Goal in ${words(g.filter)}, ${unit[measure(g)]}`, "number", g[measure(g)], "")),
    ...free.map((n, k) => field(`new-${i}-${k}`, `Goal in ${words(n)}, hours`, "number", null, "none yet")),
  ];
  const made = form(`Target ${t.name}`, "Save the target", parts, (f) => [
    ...["ra_deg", "dec_deg"].map((k) => ({ path: ["target", i, k], value: typed(f, `target-${i}-${k}`, "number") })).filter((c) => differs(c.value, t[c.path[2]])),
    ...goals.map(({ g, j }) => ({ path: ["target", i, "goal", j, measure(g)], value: typed(f, `goal-${i}-${j}`, "number"), was: g[measure(g)] })).filter((c) => differs(c.value, c.was)).map(({ path, value }) => ({ path, value })),
    ...free.flatMap((n, k) => { const hours = typed(f, `new-${i}-${k}`, "number"); return hours === null ? [] : [[n, hours]]; }).flatMap(([n, hours], k) => [{ path: ["target", i, "goal", t.goal.length + k, "filter"], value: n }, { path: ["target", i, "goal", t.goal.length + k, "hours"], value: hours }]),
  ]);
  made.append(h("button", { type: "button", class: "quiet", onclick: () => attempt(async () => {
    const found = await get(`/api/place?name=${encodeURIComponent(t.name)}`);
    made.elements[`target-${i}-ra_deg`].value = found.ra_deg;
    made.elements[`target-${i}-dec_deg`].value = found.dec_deg;
    tell(`${found.name} is listed; look it over and save.`);
  }) }, "Look its place up by name"));
  return made;
}
function draw() {
  main.replaceChildren(h("h1", {}, "Where the rigs stand, what they are, and what is wanted"), h("p", {}, "Empty fields are left to what the frames say. Everything else is in campaign.toml, which you may edit by hand."), site(), ...settings.rig.map(rig), ...settings.target.map(target));
}
draw();
