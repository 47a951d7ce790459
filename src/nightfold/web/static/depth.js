// Depth in words: what is reached, what is missing, what the next hour brings; and the crops from a quarter to all subs.
import { attempt, h, hours, many, post, start, tell } from "./base.js";
import { spelt, words } from "./marks.js";

export function reachedWords(f) {
  if (!f.subs) return "nothing shot yet";
  const parts = [];
  if (f.limit_mag_arcsec2 !== null) parts.push(`${f.limit_mag_arcsec2.toFixed(1)} mag/arcsec² at 3 σ in 10″`);
  else if (f.limit_rayleigh !== null) parts.push(`${f.limit_rayleigh.toPrecision(2)} rayleigh at 3 σ in 10″`);
  if (f.snr !== null) parts.push(`signal to noise ${f.snr.toFixed(1)}${f.snr_goal ? ` of ${f.snr_goal}` : ""}`);
  return parts.join("; ") || "not known without a zero point";
}
export function leftWords(f) {
  if (f.hours_to_goal === null) return f.goal ? "not known" : "no goal";
  return f.hours_to_goal > 0 ? `${f.hours_to_goal.toFixed(1)} h` : "reached";
}
export function nextWords(f) { return f.snr_gain_next_hour === null ? "–" : `+${(100 * f.snr_gain_next_hour).toFixed(f.snr_gain_next_hour < 0.1 ? 1 : 0)} %`; }
function sentence(f) {
  const left = f.hours_to_goal === null ? "" : f.hours_to_goal > 0 ? ` ${f.hours_to_goal.toFixed(1)} h of clear sky to the goal.` : " The goal is reached.";
  const next = f.snr_gain_next_hour === null || f.hours_to_goal === 0 ? "" : ` The next hour adds ${nextWords(f).slice(1)} to the signal to noise.`;
  return `${words(f.filter)}, ${hours(f.exposure_s)}: ${reachedWords(f)}.${left}${next}`;
}

// The same part from a quarter, half and all subs; a tap on the faintest wisp makes it the goal.
export function enough() {
  const place = h("div");
  const ask = h("button", { type: "button", onclick: () => look() }, "Compare a quarter, half and all");
  let shown = null;
  place.append(ask);

  async function look(said = "") {
    const record = await attempt(() => start("depth", { crops: true }));
    if (record?.state !== "done") return;
    const { filters, crops, notes } = record.result.report;
    const names = [...new Set(crops.map((c) => c.filter))];
    shown = names.includes(shown) ? shown : names[0];
    const pictures = h("div", { class: "row pair crops" });
    const taps = h("div", { class: "row", role: "group", "aria-label": "Filter" });
    const draw = () => {
      taps.replaceChildren(...names.map((n) => h("button", { type: "button", "aria-pressed": String(n === shown), onclick: () => { shown = n; draw(); } }, words(n))));
      pictures.replaceChildren(...crops.filter((c) => c.filter === shown).map((c) => crop(c)));
    };
    draw();
    const told = h("p", { role: "status" }, said);
    place.replaceChildren(
      h("ul", { class: "plain said" }, filters.map((f) => h("li", {}, sentence(f)))),
      names.length > 1 ? taps : "", pictures,
      h("p", {}, "Tap the faintest wisp that you want to see clearly: it becomes the goal."), told,
      undo.length ? h("button", { type: "button", onclick: takeBack }, "Put the earlier goal back") : "",
      ...notes.map((n) => h("p", { class: "small" }, spelt(n.endsWith(".") ? n : `${n}.`))),
    );
  }

  function crop(c) {
    const text = `${words(c.filter)}, ${c.part === "all" ? "all" : `a ${c.part} of the`} subs: ${many(c.subs, "sub")}, ${hours(c.exposure_s)}`;
    const image = h("img", { src: `/api/depth/${encodeURIComponent(c.picture.split(/[\\/]/).at(-1))}`, alt: text, width: c.box_px[2] - c.box_px[0] + 1, height: c.box_px[3] - c.box_px[1] + 1 });
    // With the keyboard the middle is marked; a finger or pointer says where.
    const tapped = (e) => {
      const box = image.getBoundingClientRect(), keyed = e.detail === 0;
      const share = (v) => Math.min(1, Math.max(0, v));
      wish(c, keyed ? 0.5 : share((e.clientX - box.left) / box.width), keyed ? 0.5 : share((e.clientY - box.top) / box.height));
    };
    return h("figure", {}, h("button", { type: "button", class: "bare", "aria-label": `Choose a wisp on ${text}`, onclick: tapped }, image), h("figcaption", {}, text));
  }

  let undo = [];
  async function wish(c, across, down) {
    const made = await attempt(() => post("/api/goal", { target: c.target, filter: c.filter, panel: c.panel, box_px: c.box_px, across, down }));
    if (!made) return;
    undo = made.before;
    await look(`The goal in ${words(c.filter)} is now signal to noise ${made.snr} at pixel ${Math.round(made.spot_px[0])}, ${Math.round(made.spot_px[1])}.`);
  }
  async function takeBack() {
    const place_px = [...undo[0].path.slice(0, -1), "spot_px"];
    const changes = [...(undo[0].path.at(-1) === "spot_px" ? [] : [{ path: place_px, value: null }]), ...undo];
    if (!(await attempt(() => post("/api/settings", { changes })))) return;
    undo = [];
    await look();
    tell("The earlier goal stands again.");
  }
  return place;
}

export async function measured() {
  const record = await attempt(() => start("depth"));
  return record?.state === "done" ? record.result : null;
}
