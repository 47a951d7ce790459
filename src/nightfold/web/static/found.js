// What was found: the picture, the losses by cause with two subs that prove the first, is it enough, tonight, and saving.
import { attempt, day, first, get, h, hours, main, many } from "./base.js";
import { enough } from "./depth.js";
import { spelt, words } from "./marks.js";
import { watch } from "./watching.js";

const { judged, room, proof } = first;
const CAUSES = { cloud: "Cloud", trailing: "Trailed stars", focus: "Focus", seeing: "Unsteady air", "sky-glow": "A bright sky", dew: "Dew", pointing: "Pointing", "wrong-frame": "Frames of something else", sensor: "The sensor", overexposed: "Too much light", unreadable: "Unreadable files", "short-subs": "Short subs", "low-altitude": "A low target", person: "Your own decisions" };
const newest = room.pictures[0];
const file = (ending) => newest?.files.find((f) => f.name.endsWith(ending));
const address = (f) => `/api/pictures/${newest.id}/${encodeURIComponent(f.name)}`;
const total = judged.subs.reduce((t, s) => t + (s.verdict === "keep" ? s.exposure_s ?? 0 : 0), 0);

function losses() {
  if (!judged.losses.length) return h("p", {}, "No cause took clear sky worth telling.");
  const by = new Map();
  for (const l of judged.losses) by.set(l.cause, (by.get(l.cause) ?? 0) + l.hours);
  const list = [...by].sort((a, b) => b[1] - a[1]).filter(([, v]) => v >= 0.005);
  const most = Math.max(...list.map(([, v]) => v));
  return h("ul", { class: "plain losses" }, list.map(([cause, v]) => h("li", {}, h("span", {}, CAUSES[cause] ?? cause), h("progress", { max: most, value: v, "aria-hidden": "true" }), h("span", { class: "n" }, `${v >= 0.1 ? v.toFixed(1) : v.toFixed(2)} h`))));
}

function pair() {
  if (!proof) return "";
  const figure = (id, text) => h("figure", {}, h("img", { src: `/api/subs/${id}/small.jpg?wide=true`, alt: text, width: 352, height: 242 }), h("figcaption", {}, text));
  return h("div", {}, h("p", {}, `${CAUSES[proof.cause] ?? proof.cause}, in two subs of one filter:`), h("div", { class: "row pair" }, figure(proof.good, `A good sub, ${words(proof.filter)}`), figure(proof.bad, `${day(proof.night)}: ${proof.detail}`)));
}

async function tonight(place) {
  place.textContent = "Planning the night …";
  const strip = await attempt(() => get("/api/show"));
  if (!strip) { place.textContent = "Tonight could not be planned."; return; }
  const adds = strip.tonight?.filters.filter((f) => f.kept_h > 0).map((f) => `${words(f.filter)} ${f.kept_h.toFixed(1)} h`);
  const lines = [strip.next, adds?.length ? `Tonight could add ${adds.join(", ")}.` : "", ...strip.notes].filter(Boolean);
  place.replaceChildren(...lines.slice(0, 3).map((t) => h("p", {}, t)), h("p", {}, h("a", { class: "button", href: "/tonight" }, "The night's plan")));
}

function keep() {
  const masters = first.masters.map((m) => h("a", { class: "button", href: `/api/masters/${m.id}/file`, download: "" }, `Master ${words(m.filter)}${several ? `, ${m.rigs.join(", ")}` : ""}`));
  return h("div", {},
    h("div", { class: "row" }, masters, h("a", { class: "button", href: "/api/capture-table.csv", download: "capture-table.csv" }, "The capture table")),
    h("p", { class: "small" }, "Masters are linear, in 32 bits, and aligned: all of a target lie on one grid. The table tells nights, rigs, filters and hours, not where the site is."));
}

const plan = h("div", { id: "tonight-lines" }), several = new Set(first.masters.map((m) => m.rigs.join())).size > 1;
main.replaceChildren(
  h("h1", {}, `${many(judged.subs.length, "sub")}, ${hours(total)} kept`),
  newest && file(".jpg") ? h("img", { class: "wide", src: address(file(".jpg")), alt: `The picture of ${newest.target}` }) : h("p", {}, "No picture could be made yet; the masters say why."),
  h("div", { class: "row" },
    newest && file(".png") ? h("a", { class: "button next", href: address(file(".png")), download: file(".png").name }, "Save the picture") : "",
    h("a", { class: "button", href: "/picture" }, "Mix it yourself"), h("a", { class: "button", href: "/" }, "To the campaign")),
  h("h2", {}, "What clear sky was lost to"), losses(), pair(),
  judged.findings.length ? h("section", {}, h("h2", {}, "What else was found"), h("ul", { class: "plain said" }, judged.findings.map((f) => h("li", {}, spelt(f.text))))) : "",
  h("h2", {}, "Is it enough?"), enough(),
  h("h2", {}, "Tonight"), plan, watch,
  h("h2", {}, "To take with you"), keep(),
);
tonight(plan);
