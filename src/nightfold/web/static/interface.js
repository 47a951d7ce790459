// What the API offers, from its own OpenAPI document.
import { attempt, get, h, main } from "./base.js";

const api = await attempt(() => get("/api/openapi.json"));
if (api) {
  const rows = Object.entries(api.paths).flatMap(([path, ways]) =>
    Object.entries(ways).map(([way, what]) => h("tr", {}, h("td", {}, way.toUpperCase()), h("td", {}, h("code", {}, path)), h("td", {}, (what.summary ?? "").replaceAll("`", "")))),
  );
  main.replaceChildren(
    h("h1", {}, "The same documents for programs"),
    h("p", {}, "Every answer is the document that the command prints with --json. A change is a POST with the header X-Nightfold-Token, whose value /api/session tells."),
    h("p", {}, h("a", { class: "alone", href: "/api/openapi.json" }, "The whole description as an OpenAPI document")),
    h("div", { class: "scroll" }, h("table", {}, h("thead", {}, h("tr", {}, h("th", {}, "Way"), h("th", {}, "Address"), h("th", {}, "What it gives"))), h("tbody", {}, rows))),
  );
}
