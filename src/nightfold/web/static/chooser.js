// Choosing a folder of this machine: big rows to tap, how many frames are below, one way up.
import { attempt, get, h, many } from "./base.js";

// With `files` a single frame or table can be tapped instead; without a verb only that.
export async function chooser(place, verb, chosen, { files = false } = {}) {
  const box = h("section", { "aria-label": "Choose a folder" });
  place.replaceChildren(box);
  async function open(path) {
    const listing = await attempt(() => get(`/api/folders?path=${encodeURIComponent(path)}${files ? "&files=true" : ""}`));
    if (!listing) return;
    const frames = listing.frames_below;
    const rows = listing.folders.map((f) => h("li", {}, h("button", { type: "button", onclick: () => open(f.path) }, f.name)));
    const up = listing.up === null ? "" : h("button", { type: "button", class: "quiet", onclick: () => open(listing.up) }, "Up one folder");
    for (const f of listing.files) rows.push(h("li", {}, h("button", { type: "button", onclick: () => chosen(f.path) }, f.name)));
    const use = h("button", { type: "button", class: "next", disabled: frames === 0, onclick: () => chosen(listing.path) }, verb);
    const said = !listing.path ? "Where are your frames?" : frames ? `${listing.cut_short ? "More than " : ""}${many(frames, "frame")} here and below.` : "No frames here or below.";
    box.replaceChildren(
      h("h2", {}, listing.path || listing.name), h("p", { role: "status" }, said),
      h("div", { class: "row" }, up, listing.path && verb ? use : ""), h("ul", { class: "plain folders" }, rows),
    );
    (rows[0]?.querySelector("button") ?? use).focus();
  }
  await open("");
}
