// A filter's colour, dash and mark, always together, so that they survive red light and print. They are those of every
// other chart here: the server tells them; nothing is chosen in this file.
import { first } from "./base.js";

const UNKNOWN = { label: "", colour: "#a9b3b5", dash: [1, 0], shape: "circle", letter: "", hollow: true };

export function look(filter) {
  const style = first.styles?.[filter] ?? { ...UNKNOWN, label: filter || "no filter" };
  return { ...style, words: style.label, strokes: style.dash[1] ? style.dash.join(" ") : "" };
}

// A sentence with the filters' names as they are written everywhere else.
export function spelt(text) {
  const names = Object.keys(first.styles ?? {}).filter((n) => n.length > 1 && words(n) !== n);
  return names.reduce((t, n) => t.replace(new RegExp(`(^|[^\\w[])${n.replace(/[^\w]/g, "\\$&")}(?![\\w\\]])`, "g"), (_, before) => before + words(n)), text);
}
// The mark and the name together, as a cell holds them.
export function named(h, svg, filter) {
  return h("span", { class: "legend" }, h("span", {}, svg("svg", { width: 14, height: 14, "aria-hidden": "true" }, mark(svg, filter, 7, 7)), words(filter)));
}
export function words(filter) { return look(filter).words; }

// The mark as an SVG group of about 10 px around (x, y).
export function mark(svg, filter, x, y, s = 5) {
  const { colour, shape, letter, hollow } = look(filter);
  const g = svg("g", { fill: hollow ? "none" : colour, stroke: colour, "stroke-width": 1.4 });
  if (letter) {
    const t = svg("text", { x, y: y + 4, "text-anchor": "middle", class: "letter", stroke: "none" });
    t.textContent = letter;
    t.style.fill = colour;
    g.append(t);
    return g;
  }
  const paths = {
    "triangle-up": `M${x} ${y - s}L${x + s} ${y + s * 0.8}H${x - s}Z`,
    "triangle-down": `M${x} ${y + s}L${x + s} ${y - s * 0.8}H${x - s}Z`,
    square: `M${x - s * 0.8} ${y - s * 0.8}h${s * 1.6}v${s * 1.6}h${-s * 1.6}Z`,
    diamond: `M${x} ${y - s}L${x + s} ${y}L${x} ${y + s}L${x - s} ${y}Z`,
  };
  g.append(paths[shape] ? svg("path", { d: paths[shape] }) : svg("circle", { cx: x, cy: y, r: s * 0.9 }));
  return g;
}
