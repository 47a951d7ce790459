// The newcomer's way: no form. A folder, what its headers say, at most three questions to tap, and the work begins.
import { attempt, atWork, ended, get, h, main, post, session, start } from "./base.js";
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

async function look(folder) {
  place.replaceChildren();
  const record = await attempt(() => start("look", { folder }));
  if (record?.state === "done") said(record.result);
}

// What the headers say, and what they leave open.
function said(found) {
  const answers = Object.fromEntries(found.questions.map((q) => [q.match, q.likely ?? ""]));
  const go = h("button", { class: "next", type: "button", disabled: !found.subs, onclick: () => run("start", { folder: found.folder, answers }) }, "Go on");
  const questions = found.questions.map((q) => {
    const taps = q.answers.map((a) => h("button", { type: "button", "aria-pressed": String(answers[q.match] === a.filter), onclick: (e) => {
      answers[q.match] = a.filter;
      for (const b of taps) b.setAttribute("aria-pressed", String(b === e.currentTarget));
    } }, a.words));
    const picture = h("img", { src: `/api/look.jpg?path=${encodeURIComponent(q.sub)}`, alt: "One of these frames", width: 280 });
    return h("section", {}, h("p", {}, q.words), h("div", { class: "asked" }, picture, h("div", { class: "row", role: "group", "aria-label": q.words }, taps)));
  });
  place.replaceChildren(h("section", { "aria-label": "What the headers say" },
    h("h2", {}, "What the headers say"), h("ul", { class: "plain said" }, found.sentences.map((s) => h("li", {}, s))),
    found.subs ? questions : h("p", {}, "There are no subs here that can be read; choose another folder."), h("div", { class: "row" }, go)));
  go.focus();
}

async function run(kind, wish) {
  const told = place.querySelector("ul");
  draw(); // the buttons go; what the headers said stays to be read
  main.querySelector("h1").textContent = kind === "demo" ? "Inventing frames, then going the whole way" : "On the way to a first picture";
  main.querySelector(".welcome .row").remove();
  place.replaceChildren(...(told ? [told] : []));
  const waiting = attempt(() => start(kind, wish));
  const looking = setInterval(glance, 3000);
  const record = await waiting;
  clearInterval(looking);
  if (record?.state === "done") location.assign("/found");
  else draw();
}

// The first picture, as soon as there is one, while the work goes on: binned at first, then whole, in the same place.
let seen = "";
async function glance() {
  if (document.hidden) return;
  try {
    if ((await get("/api/session")).campaign === null) return;
    const newest = (await get("/api/picture")).pictures[0], file = newest?.files.find((f) => f.name.endsWith(".jpg"));
    if (file) show(`/api/pictures/${newest.id}/${encodeURIComponent(file.name)}`, "The picture from all subs.");
    else {
      const made = (await get("/api/first-look")).made_at;
      if (made) show(`/api/first-look.jpg?${encodeURIComponent(made)}`, "A first picture from every fifth sub, binned; it sharpens when the rest is folded.");
    }
  } catch { /* no campaign yet */ }
}
function show(address, text) {
  if (seen === address) return;
  seen = address;
  const old = place.querySelector("figure"), image = h("img", { class: "wide", alt: text });
  const figure = h("figure", { id: "first-picture" }, image, h("figcaption", {}, text));
  image.addEventListener("load", () => { if (old) old.replaceWith(figure); else place.prepend(figure); });
  image.src = address;
}

draw();
if (atWork()) ended().then((record) => { if (record.state === "done" && record.kind !== "look") location.assign("/found"); });

