// What was found: the picture, the losses by cause with two subs that prove the first, is it enough, tonight, and saving.
import { attempt, day, first, get, h, hours, main, many, start } from "./base.js";
import { words } from "./marks.js";

const { judged, room, proof } = first;
const CAUSES = { cloud: "Cloud", trailing: "Trailed stars", focus: "Focus", seeing: "Unsteady air", "sky-glow": "A bright sky", dew: "Dew", pointing: "Pointing", "wrong-frame": "Frames of something else", sensor: "The sensor", overexposed: "Too much light", unreadable: "Unreadable files", "short-subs": "Short subs", person: "Your own decisions" };
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
  return h("div", {}, h("div", { class: "row pair" }, figure(proof.good, `A good sub, ${words(proof.filter)}`), figure(proof.bad, `${day(proof.night)}: ${proof.detail}`)));
}

async function tonight(place) {
  place.textContent = "Planning the night …";
  const strip = await attempt(() => get("/api/show"));
  if (!strip) { place.textContent = "Tonight could not be planned."; return; }
  const adds = strip.tonight?.filters.filter((f) => f.kept_h > 0).map((f) => `${words(f.filter)} ${f.kept_h.toFixed(1)} h`);
  const lines = [strip.next, adds?.length ? `Tonight could add ${adds.join(", ")}.` : "", ...strip.notes].filter(Boolean);
  place.replaceChildren(...lines.slice(0, 3).map((t) => h("p", {}, t)), h("a", { class: "button", href: "/tonight" }, "The night's plan"));
}

const enough = h("div", {}, h("button", { type: "button", onclick: look }, "Compare a quarter, half and all"));
async function look() {
  const record = await attempt(() => start("depth", { crops: true }));
  if (record?.state !== "done") return;
  const crops = record.result.crops ?? [];
  const filters = [...new Set(crops.map((c) => c.filter))];
  enough.replaceChildren(
    ...record.result.filters.map((f) => h("p", {}, depthWords(f))),
    ...filters.map((f) => h("div", { class: "row pair" }, crops.filter((c) => c.filter === f).map((c) => h("figure", {}, h("img", { src: `/api/depth/${encodeURIComponent(c.picture.split(/[\\/]/).at(-1))}`, alt: cropWords(c), width: 260, height: 260 }), h("figcaption", {}, cropWords(c)))))),
  );
}
function cropWords(c) { return `${words(c.filter)}, ${many(c.subs, "sub")}`; }
function depthWords(f) {
  const snr = f.snr === null ? "depth not known without a zero point" : `signal to noise ${f.snr.toFixed(1)}${f.snr_goal ? ` of ${f.snr_goal}` : ""}`;
  const rest = f.hours_to_goal === null ? "" : f.hours_to_goal > 0 ? `; ${f.hours_to_goal.toFixed(1)} h of clear sky to the goal` : "; the goal is reached";
  return `${words(f.filter)}, ${hours(f.exposure_s)}: ${snr}${rest}.`;
}

const plan = h("div");
main.replaceChildren(
  h("h1", {}, `${many(judged.subs.length, "sub")}, ${hours(total)} kept`),
  newest && file(".jpg") ? h("img", { class: "wide", src: address(file(".jpg")), alt: `The picture of ${newest.target}` }) : h("p", {}, "No picture could be made yet; the masters say why."),
  h("div", { class: "row" },
    newest && file(".png") ? h("a", { class: "button next", href: address(file(".png")), download: file(".png").name }, "Save the picture") : "",
    h("a", { class: "button", href: "/picture" }, "Mix it yourself"), h("a", { class: "button", href: "/" }, "To the campaign")),
  h("h2", {}, "What clear sky was lost to"), losses(), pair(),
  judged.findings.length ? h("section", {}, h("h2", {}, "What else was found"), h("ul", { class: "plain said" }, judged.findings.map((f) => h("li", {}, f.text)))) : "",
  h("h2", {}, "Is it enough?"), enough,
  h("h2", {}, "Tonight"), plan,
);
tonight(plan);
