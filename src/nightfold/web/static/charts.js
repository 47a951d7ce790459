// Charts from Vega-Lite specifications of our own, under the strict content policy: expressions are interpreted, nothing is
// loaded, no style element is added. The drawing script comes from this machine and only where a chart is shown.
import { h } from "./base.js";

const loader = { load: () => Promise.reject(new Error("charts load nothing")), sanitize: () => Promise.reject(new Error("charts link nowhere")), http: null, file: null };

export async function chart(spec, words) {
  const place = h("div", { class: "chart", role: "img", "aria-label": words });
  const { vegaEmbed } = await import("/charts.js");
  await vegaEmbed(place, spec, { mode: "vega-lite", ast: true, defaultStyle: false, actions: false, renderer: "svg", tooltip: false, logLevel: 1, loader });
  const drawn = place.querySelector("svg");
  if (drawn) {
    // The chart is one picture with words of its own; its inner marks need none.
    drawn.setAttribute("aria-hidden", "true");
    for (const e of drawn.querySelectorAll("[role], [aria-label]")) for (const name of ["role", "aria-roledescription", "aria-label"]) e.removeAttribute(name);
    drawn.style.maxWidth = `${drawn.getAttribute("width")}px`;
    for (const name of ["width", "height"]) drawn.removeAttribute(name);
  }
  return place;
}
