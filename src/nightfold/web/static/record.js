// Record: what was captured, night by night and filter by filter, to read, print and share.
import { attempt, day, first, h, hours, main, number, start } from "./base.js";
import { words } from "./marks.js";

const { nights, masters } = first;
const made = h("div", { class: "row" });
const sum = (list, of) => list.reduce((t, v) => t + of(v), 0);
const rows = nights.nights.map((n) => h("tr", {}, h("td", {}, h("a", { class: "alone", href: `/nights/${n.night}` }, day(n.night))), ...nights.filters.map((f) => { const m = n.filters.find((v) => v.filter === f); return h("td", { class: "n" }, m ? hours(m.kept_s) : "–"); }), h("td", { class: "n" }, hours(sum(n.filters, (f) => f.dropped_s))), h("td", { class: "n" }, `${Math.round(n.moon_illuminated_fraction * 100)} %`), h("td", { class: "n" }, n.fwhm_arcsec === null ? "–" : `${number(n.fwhm_arcsec, 1)}″`)));
const total = h("tr", {}, h("th", { scope: "row" }, "Kept"), ...nights.filters.map((f) => h("td", { class: "n" }, hours(sum(nights.nights, (n) => sum(n.filters.filter((v) => v.filter === f), (v) => v.kept_s))))), h("td", { class: "n" }, hours(sum(nights.nights, (n) => sum(n.filters, (f) => f.dropped_s)))), h("td"), h("td"));

async function write(ending, text) {
  const record = await attempt(() => start("record", { ending }));
  if (record?.state !== "done") return;
  made.append(h("a", { class: "button", href: `/api/jobs/${record.id}/file`, download: "" }, text));
  caption.replaceChildren(h("h2", {}, "To share beside the picture"), h("p", {}, record.result.caption));
}
const caption = h("section");
if (!nights.nights.length) main.replaceChildren(h("h1", {}, "Nothing is on record yet"), h("p", {}, "What was captured, night by night and filter by filter, stands here once subs are taken in."), h("div", { class: "row" }, h("a", { class: "button next", href: "/" }, "Take a folder in")));
else main.replaceChildren(
  h("h1", {}, `${nights.name}: ${hours(sum(nights.nights, (n) => sum(n.filters, (f) => f.kept_s)))} kept in ${nights.nights.length} night${nights.nights.length === 1 ? "" : "s"}`),
  h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Night"), ...nights.filters.map((f) => h("th", { scope: "col", class: "n" }, words(f))), h("th", { scope: "col", class: "n" }, "Dropped"), h("th", { scope: "col", class: "n" }, "Moon"), h("th", { scope: "col", class: "n" }, "Star width"))), h("tbody", {}, rows, total))),
  h("p", { class: "small" }, masters.length ? `${masters.length} masters; their tables of subs, weights and transforms are inside each file.` : "No masters yet."),
  h("div", { class: "row" }, h("button", { type: "button", class: "next", onclick: () => write("html", "The record as a page") }, "Write the record"), h("button", { type: "button", onclick: () => write("pdf", "The record to print") }, "Write it to print"), h("a", { class: "button", href: "/api/capture-table.csv", download: "capture-table.csv" }, "The capture table")),
  h("p", { class: "small" }, "Nothing in it tells where the site is."), made, caption,
);
