// A filter's colour, dash and mark, always together, so that they survive red light and print.
// Colours: Okabe & Ito 2008, safe for colour-blind eyes.
const KNOWN = {
  Ha: { colour: "#d55e00", dash: "", mark: "disc", words: "Hα" },
  OIII: { colour: "#009e73", dash: "10 5", mark: "triangle", words: "[O III]" },
  SII: { colour: "#e69f00", dash: "5 4", mark: "square", words: "[S II]" },
  L: { colour: "#a9a9a9", dash: "", mark: "ring", words: "L" },
  R: { colour: "#cc79a7", dash: "1.5 4", mark: "R", words: "R" },
  G: { colour: "#56b4e9", dash: "1.5 4", mark: "G", words: "G" },
  B: { colour: "#4a90d9", dash: "1.5 4", mark: "B", words: "B" },
};
const FREE = [
  { colour: "#f0e442", dash: "8 3 2 3", mark: "diamond" },
  { colour: "#999999", dash: "4 2 1 2", mark: "cross" },
  { colour: "#56b4e9", dash: "12 3", mark: "star" },
];
const given = new Map();

export function look(filter) {
  if (KNOWN[filter]) return KNOWN[filter];
  if (!given.has(filter)) given.set(filter, { ...FREE[given.size % FREE.length], words: filter });
  return given.get(filter);
}

export function words(filter) { return look(filter).words; }

// The mark as an SVG group of about 10 px around (x, y).
export function mark(svg, filter, x, y, size = 5) {
  const { colour, mark: shape } = look(filter);
  const g = svg("g", { fill: colour, stroke: colour, "stroke-width": 1.4 });
  const s = size;
  if (shape === "disc") g.append(svg("circle", { cx: x, cy: y, r: s * 0.9 }));
  else if (shape === "ring") g.append(svg("circle", { cx: x, cy: y, r: s * 0.9, fill: "none" }));
  else if (shape === "triangle") g.append(svg("path", { d: `M${x} ${y - s}L${x + s} ${y + s * 0.8}H${x - s}Z` }));
  else if (shape === "square") g.append(svg("rect", { x: x - s * 0.8, y: y - s * 0.8, width: s * 1.6, height: s * 1.6 }));
  else if (shape === "diamond") g.append(svg("path", { d: `M${x} ${y - s}L${x + s} ${y}L${x} ${y + s}L${x - s} ${y}Z` }));
  else if (shape === "cross") g.append(svg("path", { d: `M${x - s} ${y - s}L${x + s} ${y + s}M${x + s} ${y - s}L${x - s} ${y + s}` }));
  else if (shape === "star") g.append(svg("path", { d: `M${x} ${y - s}V${y + s}M${x - s} ${y}H${x + s}` }));
  else {
    const t = svg("text", { x, y: y + 4, "text-anchor": "middle", class: "letter", stroke: "none" });
    t.textContent = shape;
    t.style.fill = colour;
    g.append(t);
  }
  return g;
}
