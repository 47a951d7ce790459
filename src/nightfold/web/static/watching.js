// Watch tonight: one switch. The last folder is taken unless another is chosen; what happens is told below it.
import { attempt, first, get, h, post } from "./base.js";
import { chooser } from "./chooser.js";

export const watch = h("section", { "aria-label": "Watch tonight" });
const place = h("div");
let watched = null;

async function look() {
  if (document.hidden) return;
  let now;
  try { now = (await get("/api/watching")).watch; } catch { return; }
  if (JSON.stringify([now?.id, now?.said]) !== JSON.stringify([watched?.id, watched?.said])) { watched = now; draw(); }
}
function draw() {
  const on = watched !== null;
  const other = () => chooser(place, "Watch this folder", begin);
  const turn = () => (on ? end() : first.folder ? begin(first.folder) : other());
  const told = on ? `${watched.what}.` : "New subs are judged as they come; you are told when one needs you.";
  watch.replaceChildren(
    h("div", { class: "row" }, h("button", { type: "button", role: "switch", class: "switch", "aria-checked": String(on), onclick: turn }, "Watch tonight"), h("span", { class: "small" }, told),
      on || !first.folder ? "" : h("button", { type: "button", class: "quiet", onclick: other }, "Another folder")),
    on ? h("ul", { class: "plain said", "aria-live": "polite" }, watched.said.slice(-6).reverse().map((t) => h("li", {}, t))) : place,
  );
}
async function begin(folder) {
  place.replaceChildren();
  watched = (await attempt(() => post("/api/do/watch", { folder }))) ?? null;
  draw();
}
async function end() {
  await attempt(() => post(`/api/jobs/${watched.id}/stop`));
  watched = null;
  draw();
}
draw();
look();
setInterval(look, 4000);
