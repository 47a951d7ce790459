// The picture: mixed live while a slider moves, before and after by an edge, steps on and off, versions, saving.
import { attempt, first, get, h, main, many, post, session, start } from "./base.js";
import { words } from "./marks.js";
import { Mixer } from "./mixer.js";

let room = first.picture;
let begun = null, recipe = null, off = new Set(), mixer = null;

const PLANE_STEPS = new Set(["gradient", "stars-apart", "sharpen", "noise"]);
const STEP_WORDS = {
  gradient: "Take the uneven sky off", "stars-apart": "Take stars and nebula apart", sharpen: "Sharpen the nebula", noise: "Shrink the noise", level: "Bring the filters near each other",
  stretch: "Stretch", mix: "Mix the colours", "stars-back": "Put the stars back", "turn-hues": "Turn a range of hues", saturate: "Set the strength of colours", "local-contrast": "Raise local contrast", turn: "Turn and crop",
};
const ALWAYS = new Set(["stretch", "mix", "level"]);

function nothing() {
  if (!room.masters) {
    main.replaceChildren(h("h1", {}, "A picture needs masters"), h("p", {}, "Fold the kept subs first."), h("a", { class: "button next", href: "/masters" }, "To the masters"));
    return;
  }
  main.replaceChildren(
    h("h1", {}, "No picture yet"), h("p", {}, "The first one is made by itself: every number of its recipe is measured on the masters."),
    h("button", { class: "next", type: "button", onclick: async () => { const record = await attempt(() => start("picture")); if (record?.state === "done") location.reload(); } }, "Make the first picture"),
  );
}

// -- the page -----------------------------------------------------------------------------------------------------------
const canvas = h("canvas", { role: "img", "aria-label": "The picture, mixed live" });
const before = h("img", { alt: "The picture before", hidden: true });
const edge = h("div", { class: "edge", role: "slider", tabindex: 0, "aria-label": "Edge between before and after", "aria-valuemin": 0, "aria-valuemax": 100, "aria-valuenow": 0, hidden: true });
const stage = h("div", { class: "stage" }, canvas, before, edge);
const hint = h("p", { class: "small", role: "status" });
const panel = h("div", { class: "panel" });
const made = h("div");
const buttons = h("div", { class: "row" },
  h("button", { type: "button", class: "next", onclick: save }, "Save the picture"),
  h("button", { type: "button", onclick: keepVersion }, "Keep this version"),
  h("button", { type: "button", class: "quiet", onclick: () => use(begun) }, "As it was"));
let edgeAt = 0.5;

function page() {
  main.replaceChildren(h("div", { class: "picture" }, h("div", { class: "shown" }, stage, hint, buttons), panel), made);
  drawPanel();
}

const step = (name) => recipe.steps.find((s) => s.step === name);
// What is shown: the recipe without the steps that are switched off.
const shown = () => ({ ...recipe, steps: recipe.steps.filter((s, i) => !off.has(i)) });

function slider(text, low, high, value, change, told = (v) => v.toFixed(2)) {
  const out = h("span", { class: "value" }, told(value));
  const input = h("input", { type: "range", min: low, max: high, step: (high - low) / 200, value, "aria-label": text, oninput: () => { out.textContent = told(Number(input.value)); change(Number(input.value)); redraw(); } });
  return h("label", {}, h("span", { class: "row spread" }, text, out), input);
}
const unfolded = new Map(); // what a person opened or closed stays so when the panel is drawn anew
function group(title, open, ...children) {
  return h("details", { open: unfolded.get(title) ?? open, ontoggle: (e) => { if (e.target === e.currentTarget) unfolded.set(title, e.target.open); } }, h("summary", {}, title), children);
}
function redraw() { mixer?.draw(shown()); }

function drawPanel() {
  const stretch = step("stretch"), mix = step("mix"), level = step("level"), saturate = step("saturate"), hues = step("turn-hues"), stars = step("stars-back");
  const base = { ...begun.steps.find((s) => s.step === "stretch") };
  const palettes = Object.entries(room.palettes).map(([name, rows]) => h("button", { type: "button", "aria-pressed": String(mix.palette === name), onclick: () => { mix.palette = name; mix.rows = structuredClone(rows); drawPanel(); redraw(); } }, name));
  const matrix = h("table", { class: "matrix" }, h("thead", {}, h("tr", {}, ["", "Red", "Green", "Blue"].map((t) => h("th", { scope: "col" }, t)))), h("tbody", {}, Object.keys(recipe.masters).map((f) => h("tr", {}, h("th", { scope: "row" }, words(f)), [0, 1, 2].map((c) => {
    const input = h("input", { type: "number", min: 0, max: 2, step: 0.05, value: mix.rows[f]?.[c] ?? 0, "aria-label": `${words(f)} into ${["red", "green", "blue"][c]}`, oninput: () => {
      const value = Math.min(2, Math.max(-2, Number(input.value) || 0));
      mix.rows[f] ??= [0, 0, 0];
      mix.rows[f][c] = value;
      mix.palette = "";
      redraw();
    } });
    return h("td", {}, input);
  })))));
  const log = (v) => `×${(10 ** v).toFixed(2)}`;
  panel.replaceChildren(
    group("Colours", true, h("div", { class: "row" }, palettes),
      level ? slider("Colour spread", 0, 1, spreadNow(), (v) => spread(v)) : "",
      saturate ? slider("Strength of colours", 0, 3, saturate.factor, (v) => { saturate.factor = v; }) : "",
      hues ? slider("Greens towards gold", 0, 1, hues.strength, (v) => { hues.strength = v; }) : "",
      slider("Lightness from all filters", 0, 1, mix.lightness_from_all, (v) => { mix.lightness_from_all = v; }),
      group("Mix by hand", false, matrix)),
    group("Light", true,
      slider("Depth of black", -2, 2, (base.black - stretch.black) / base.softness, (v) => { stretch.black = base.black - v * base.softness; if (stretch.white <= stretch.black) stretch.white = stretch.black + base.softness; }),
      slider("Faint parts", -1, 1, -Math.log10(stretch.softness / base.softness), (v) => { stretch.softness = base.softness * 10 ** -v; }, log),
      slider("White", -1, 1, Math.log10((stretch.white - base.black) / (base.white - base.black)), (v) => { stretch.white = Math.max(base.black + (base.white - base.black) * 10 ** v, stretch.black + 0.1 * base.softness); }, log)),
    stars ? group("Stars", false,
      slider("Brightness of stars", 0, 2, stars.brightness, (v) => { stars.brightness = v; }),
      slider("Size of stars", 0.25, 2, stars.size, (v) => { stars.size = v; }),
      mixer?.facts?.tinted ? slider("Colour of stars", 0, 1, stars.colour, (v) => { stars.colour = v; }) : "") : "",
    group("Steps", false, h("ul", { class: "plain" }, recipe.steps.map((s, i) => h("li", {}, h("label", { class: "row" }, h("input", { type: "checkbox", checked: !off.has(i), disabled: ALWAYS.has(s.step), onchange: (e) => toggle(i, e.target.checked) }), STEP_WORDS[s.step] ?? s.step))))),
    group("Before and after", false, beforeChoices()),
    group("Versions", false, versionList()),
  );
  made.replaceChildren(files());
}

function spreadNow() {
  const gains = mixer?.facts?.spread_gains, level = step("level");
  if (!gains) return 0.85;
  let best = 0, least = Infinity;
  gains.forEach((row, i) => {
    const off_ = mixer.facts.layers.reduce((t, l, k) => t + Math.abs(Math.log(row[k] / (level.gain[l.filter] ?? 1))), 0);
    if (off_ < least) { least = off_; best = i; }
  });
  return best / (gains.length - 1);
}
function spread(v) {
  const gains = mixer?.facts?.spread_gains, level = step("level");
  if (!gains || !level) return;
  const row = gains[Math.round(v * (gains.length - 1))];
  mixer.facts.layers.forEach((l, k) => { if (l.filter in level.sky) level.gain[l.filter] = row[k]; });
}

async function toggle(i, on) {
  if (on) off.delete(i); else off.add(i);
  // Stars that were not taken apart cannot be put back.
  if (PLANE_STEPS.has(recipe.steps[i].step)) await layers();
  else redraw();
}

// -- layers from Python -------------------------------------------------------------------------------------------------
let asked = 0;
async function layers() {
  const mine = ++asked;
  hint.textContent = "Working on the masters at preview size …";
  const headers = { "Content-Type": "application/json", "X-Nightfold-Token": session.token };
  const answer = await attempt(async () => {
    const response = await fetch("/api/picture/layers", { method: "POST", headers, body: JSON.stringify({ recipe: shown() }) });
    if (!response.ok) throw new Error((await response.json()).error?.what ?? `The server answered ${response.status}.`);
    return response.arrayBuffer();
  });
  if (!answer || mine !== asked) return;
  mixer ??= new Mixer(canvas, room.formulas);
  const facts = mixer.load(answer);
  mixer.render(shown());
  hint.textContent = [facts.factor > 1 ? `Shown at 1/${facts.factor} of its size.` : "", ...facts.notes].join(" ").trim();
}

async function use(other) {
  recipe = structuredClone(other);
  begun ??= structuredClone(other);
  off = new Set();
  await layers();
  drawPanel();
  canvas.dataset.ready = "yes";
}

// -- before and after ---------------------------------------------------------------------------------------------------
async function preview(of) {
  const headers = { "Content-Type": "application/json", "X-Nightfold-Token": session.token };
  const response = await fetch("/api/picture/preview", { method: "POST", headers, body: JSON.stringify({ recipe: of }) });
  if (!response.ok) throw new Error((await response.json()).error?.what ?? `The server answered ${response.status}.`);
  return URL.createObjectURL(await response.blob());
}
async function showBefore(of, name) {
  const source = await attempt(() => preview(of));
  if (!source) return;
  if (before.src) URL.revokeObjectURL(before.src);
  before.src = source;
  before.alt = `Before: ${name}`;
  before.hidden = edge.hidden = false;
  setEdge(0.5);
  hint.textContent = `Left of the edge: ${name}. Drag it, or use the arrow keys.`;
}
function hideBefore() {
  before.hidden = edge.hidden = true;
  hint.textContent = "";
}
function setEdge(at) {
  edgeAt = Math.min(1, Math.max(0, at));
  before.style.clipPath = `inset(0 ${(1 - edgeAt) * 100}% 0 0)`;
  edge.style.left = `${edgeAt * 100}%`;
  edge.setAttribute("aria-valuenow", String(Math.round(edgeAt * 100)));
}
function dragEdge(e) { const box = stage.getBoundingClientRect(); setEdge((e.clientX - box.left) / box.width); }
edge.addEventListener("pointerdown", (e) => { edge.setPointerCapture(e.pointerId); edge.dataset.held = "yes"; dragEdge(e); });
edge.addEventListener("pointermove", (e) => { if (edge.dataset.held) dragEdge(e); });
for (const name of ["pointerup", "pointercancel"]) edge.addEventListener(name, () => { delete edge.dataset.held; });
edge.addEventListener("keydown", (e) => {
  const by = { ArrowLeft: -0.02, ArrowRight: 0.02, PageUp: 0.1, PageDown: -0.1, Home: -1, End: 1 }[e.key];
  if (by) { e.preventDefault(); setEdge(edgeAt + by); }
});
// The picture before any of the later colour steps: filters stretched and mixed, no more.
const plain = () => ({ ...recipe, steps: recipe.steps.filter((s) => ["level", "stretch", "mix", "turn"].includes(s.step)) });
function beforeChoices() {
  const choices = [["As it was when this page opened", () => begun], ["Stretched and mixed only", plain], ...room.versions.map((v) => [`Version ${v.number}, ${v.name}`, () => v.recipe])];
  return [h("div", { class: "row" }, choices.map(([name, of]) => h("button", { type: "button", onclick: () => showBefore(of(), name) }, name)), h("button", { type: "button", class: "quiet", onclick: hideBefore }, "Only the picture"))];
}

// -- versions and saving ------------------------------------------------------------------------------------------------
function versionList() {
  if (!room.versions.length) return h("p", { class: "small" }, "None kept yet.");
  return h("ul", { class: "plain" }, room.versions.map((v) => h("li", { class: "row" }, h("button", { type: "button", onclick: () => use(v.recipe) }, `Go to version ${v.number}, ${v.name}`))));
}
async function keepVersion() {
  const kept = await attempt(() => post("/api/picture/versions", { recipe: shown(), name: step("mix").palette || "free mix" }));
  if (!kept) return;
  room = await get("/api/picture");
  drawPanel();
  hint.textContent = `Kept as version ${kept.number}.`;
}
async function save() {
  const record = await attempt(() => start("picture", { recipe: shown(), linear: true }));
  if (record?.state !== "done") return;
  room = await get("/api/picture");
  drawPanel();
  hint.textContent = `Written at ${record.result.width_px} × ${record.result.height_px} pixels, with its recipe and the linear masters beside it.`;
}
function files() {
  if (!room.pictures.length) return "";
  const newest = room.pictures[0];
  const size = (n) => (n > 1e6 ? `${(n / 1e6).toFixed(1)} MB` : `${Math.max(1, Math.round(n / 1e3))} kB`);
  return h("section", { class: "files" }, h("h2", {}, many(room.pictures.length, "picture") + " made; the latest:"), h("ul", { class: "plain" }, newest.files.map((f) => h("li", {}, h("a", { href: `/api/pictures/${newest.id}/${encodeURIComponent(f.name)}`, download: f.name }, f.name), h("span", { class: "small" }, ` ${size(f.bytes)}`)))));
}

if (room.recipe === null) nothing();
else {
  begun = structuredClone(room.recipe);
  recipe = structuredClone(room.recipe);
  page();
  await use(room.recipe);
}
