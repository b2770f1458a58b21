// The camera's picture: asked for when the page is opened and when somebody presses; what it says is heard.
"use strict";
import { answer } from "./answering.js";
import { clock } from "./clock.js";
import { now } from "./counting.js";
import { listen } from "./listening.js";
import { again, onPut, put } from "./patching.js";
import { live, press } from "./pressing.js";
import { clear, see } from "./previews.js";
import { say } from "./saying.js";

const { set, role } = document.body.dataset;
const at = (id) => document.getElementById(id);
const token = document.querySelector('meta[name="studiobridge-token"]').content;

press({ set, answer });

// ---- a look: the newest wins; without an answer what stands there stays, marked by its time
let asked = 0;
async function look() {
  if (!at("look-now") || at("look-now").disabled) return;
  const mine = ++asked;
  // where no picture stands it is said in its place, which is where one looks
  const place = at("still").querySelector("img") === null;
  const none = (text) => {
    const said = Object.assign(document.createElement("p"), { className: "empty soft", textContent: text });
    put("still", said.outerHTML);
  };
  if (place) none(say("looking …")); else answer(say("looking …"), false);
  let said = "";
  try {
    const reply = await fetch(`/api/sets/${set}/picture`, { method: "POST", headers: { "X-Studiobridge-Token": token } });
    const { html, text } = await reply.json();
    if (mine !== asked) return;
    if (reply.ok) {
      put("still", html);
      at("still").querySelector("img").addEventListener("error", () => {
        put("still", `<p class="empty soft">${say("The picture did not come: look again.")}</p>`);
      });
    } else said = text;
  } catch { said = say("No answer came: it is not known whether the question arrived."); }
  if (mine === asked && place && said) none(said);
  if (mine === asked) answer(said, Boolean(said));
  aged();
}
document.addEventListener("click", (event) => { if (event.target.closest("#look-now")) look(); });

// ---- what is of now is so for a while only, by the bridge's clock; when that is not heard nothing is of now
function aged() {
  for (const el of document.querySelectorAll("[data-taken]")) {
    const then = Date.parse(el.dataset.taken) / 1000;
    const since = now() === null || !Number.isFinite(then) ? Infinity : now() - then;
    if (el.classList.contains("still") && el.classList.contains("old")) continue;
    el.classList.toggle("old", since > Number(el.dataset.holds));
  }
}
setInterval(aged, 500);

// ---- looks before they are set
const looks = [...document.querySelectorAll(".first-seen[data-look]")];
let seen = false;
async function looks_seen() {
  if (!looks.length || !at("looks-why")) return;
  const can = !at("looks-why").querySelector("[data-why]");
  if (can === seen) return;
  seen = can;
  for (const figure of looks) {
    if (!can) { clear(figure); continue; }
    const { look: name, alt } = figure.dataset;
    // one after the other: a small computer reckons each
    await see(figure, `/s/${set}/picture/preview.jpg?look=${encodeURIComponent(name)}`, alt);
  }
}

// ---- listening
let opened = false;
onPut((id) => { if (id === "looks-why") looks_seen(); if (id === "seen") aged(); });
listen({
  set,
  view: "picture",
  parts(all) {
    for (const [id, html] of Object.entries(all)) put(id, html);
    // once, and as soon as one can be asked for
    if (!opened && role !== "viewer" && at("look-now") && !at("look-now").disabled) { opened = true; look(); }
  },
  lost(since) {
    at("lost-since").textContent = clock(since);
    at("lost").hidden = false;
    live(false);
    aged();
  },
  found() {
    at("lost").hidden = true;
    live(true);
    again();
  },
});
// who leaves the page takes the picture along
addEventListener("pagehide", () => { if (at("still")) put("still", ""); opened = false; });
