// The newcomer's way: no form, one sentence, two buttons.
import { attempt, atWork, ended, h, main, post, session, start } from "./base.js";
import { chooser } from "./chooser.js";

const place = h("div");
function draw() {
  const several = session.campaigns.length > 1;
  main.replaceChildren(
    h("div", { class: "welcome" },
      h("h1", {}, "Your files are only read. Point at a folder, or see the demo."),
      h("p", {}, "From the frames of one object, of one night or many, Nightfold makes one clean master per filter and a first picture, and tells what it found."),
      h("div", { class: "row" },
        h("button", { class: "next", type: "button", onclick: () => chooser(place, "Look at this folder", look) }, "Point at a folder"),
        h("button", { type: "button", onclick: () => run("demo", {}) }, "See the demo"),
      ),
      several ? h("section", {}, h("h2", {}, "Campaigns here"), h("div", { class: "row" }, session.campaigns.map((name) => h("button", { type: "button", onclick: () => open(name) }, name)))) : "",
      place,
    ),
  );
}
async function open(name) {
  if (await attempt(() => post("/api/open", { name }))) location.assign("/");
}
async function look(folder) { await run("start", { folder }); }
async function run(kind, wish) {
  place.replaceChildren();
  const record = await attempt(() => start(kind, wish));
  if (record?.state === "done") location.assign("/");
}
draw();
if (atWork()) ended().then((record) => { if (record.state === "done") location.assign("/"); });
