// Optics: what is on record, and fresh looks from a night's subs with their charts.
import { attempt, day, first, h, main, sentence, start } from "./base.js";
import { chart } from "./charts.js";
import { chooser } from "./chooser.js";

const LOOKS = [["field", "The field: tilt, curvature, coma"], ["tracking", "Tracking: drift and trailing"], ["polar", "The polar axis"], ["law", "Focus over temperature"]];
// From frames of their own: a folder or a file, and what to say over the chooser.
const TESTS = [
  ["focus", "A focus run", "Use this folder's frames", true, "Choose the folder of the run's frames, or a table of positions and star radii as CSV."],
  ["collimation", "Collimation on a defocused star", "", true, "Choose one frame of a bright star out of focus."],
  ["camera", "Test the camera", "Use these frames", false, "Choose a folder with bias frames, darks of several lengths, and flats in pairs."],
];
let night = first.nights.at(-1) ?? null, rig = first.rigs[0]?.name ?? null;
const choices = h("div"), found = h("div"), asked = h("section");

function draw() {
  const taps = (list, chosen, choose) => h("div", { class: "row" }, list.map(([value, text]) => h("button", { type: "button", "aria-pressed": String(value === chosen), onclick: () => { choose(value); draw(); } }, text)));
  choices.replaceChildren(
    first.rigs.length > 1 ? h("section", {}, h("h2", {}, "Rig"), taps(first.rigs.map((r) => [r.name, r.name]), rig, (v) => { rig = v; })) : "",
    first.nights.length > 1 ? h("section", {}, h("h2", {}, "Night"), taps(first.nights.slice(-12).map((n) => [n, day(n)]), night, (v) => { night = v; })) : "",
    ...(night ? looks() : [h("p", {}, "Stars of your subs tell of tilt, tracking and focus; there are none yet."), h("div", { class: "row" }, h("a", { class: "button next", href: "/" }, "Take a folder in"))]),
    h("h2", {}, "Test with frames of their own"), h("div", { class: "row" }, TESTS.map((t) => h("button", { type: "button", onclick: () => ask(...t) }, t[1]))), asked,
  );
}
function looks() {
  return [h("h2", {}, "Look at"), h("div", { class: "row" }, LOOKS.map(([what, text]) => h("button", { type: "button", onclick: () => look(what, text, what === "law" ? { what, rig } : { what, rig, night }) }, text)))];
}
async function ask(what, text, verb, files, hint) {
  const place = h("div");
  asked.replaceChildren(h("p", {}, hint), place);
  await chooser(place, verb, (path) => { asked.replaceChildren(); look(what, text, { what, rig, path }); }, { files });
}
async function look(what, text, wish) {
  asked.replaceChildren();
  const record = await attempt(() => start("optics", wish));
  if (record?.state !== "done") return;
  const report = record.result.report;
  const drawn = (await attempt(() => chart(record.result.chart, text))) ?? "";
  const lines = [report.sentence, ...(report.sentences ?? []), ...(report.try_first ?? []), ...(report.notes ?? [])].filter(Boolean).map((t) => sentence({ what: t }));
  const trend = record.result.trend ? (await attempt(() => chart(record.result.trend, `${text}: night by night`))) ?? "" : "";
  found.replaceChildren(h("h2", {}, text), drawn, trend, h("ul", { class: "plain said" }, lines.map((t) => h("li", {}, t))), h("details", {}, h("summary", {}, "All its numbers"), numbers(report)));
}
function numbers(report) {
  const rows = Object.entries(report).filter(([, v]) => v === null || typeof v === "number" || typeof v === "string" || typeof v === "boolean");
  return h("dl", { class: "facts" }, rows.flatMap(([k, v]) => [h("dt", {}, k.replaceAll("_", " ")), h("dd", {}, v === null ? "not known" : typeof v === "number" ? Number(v.toPrecision(5)).toString() : String(v))]));
}
main.replaceChildren(
  h("h1", {}, first.known.sentences.length ? "What the stars tell of the optics" : "Nothing is on record of the optics yet"),
  h("ul", { class: "plain said" }, first.known.sentences.map((t) => h("li", {}, t))), choices, found,
);
draw();
