// The view at the mark: which lamp is picked, a button that is held, a dial that is being turned.
"use strict";
import { clock } from "./clock.js";
import { first } from "./first.js";
import { listen } from "./listening.js";
import { again, onPut, put } from "./patching.js";
import { ask, live, press, wishOf } from "./pressing.js";
import { say } from "./saying.js";

const { set, role } = document.body.dataset;
const at = (id) => document.getElementById(id);
const HELD = 550;         // ms a button is held before it repeats
const EVERY = 300;        // ms between two steps of a held button: slower than a lamp may be told
const TURNS = 20000;      // ms after which a hand on a dial is said anew; a set believes it for 30 s

// ---- which lamp: the one in the address
const lamps = [...document.querySelectorAll(".lamp")];
const picked = () => lamps.find((lamp) => `#${lamp.id}` === location.hash) || lamps[0];
function pick() {
  const lamp = picked();
  if (!lamp) return;
  for (const el of document.querySelectorAll(".pick")) {
    const on = el.getAttribute("href") === `#${lamp.id}`;
    if (on) el.setAttribute("aria-current", "true"); else el.removeAttribute("aria-current");
  }
}
const seen_first = first({ set, picked });
addEventListener("hashchange", () => { pick(); turning(); seen_first(); });

// ---- what came of it: what was done is heard from the lamp's own line, only what was not is called out
let timer = 0;
function answer(text, bad) {
  at("answer").textContent = bad ? "" : text;
  at("wrong").textContent = bad ? text : "";
  clearTimeout(timer);
  timer = setTimeout(() => { at("answer").textContent = ""; at("wrong").textContent = ""; }, bad ? 15000 : 5000);
}
press({ set, answer });
onPut((id) => { if (id === "picks") pick(); if (id.startsWith("at-")) turning(); if (id.startsWith("at-") || id === "can-see") seen_first(); });

// ---- a button that is held repeats, one request at a time, as long as it stays what it was
let hold = null;          // { el, step, timer, sent, busy }
function let_go() {
  if (!hold) return;
  clearTimeout(hold.timer);
  if (!hold.sent) hold = null;
}
async function repeat() {
  const mine = hold;
  if (!mine || !mine.el.isConnected || mine.el.disabled || mine.el.dataset.step !== mine.step) { let_go(); return; }
  mine.sent += 1;
  mine.timer = 0;
  const began = performance.now();
  const { ok, text } = await ask(set, wishOf(mine.el));
  answer(text, !ok);
  if (!ok || hold !== mine || mine.over) return;
  mine.timer = setTimeout(repeat, Math.max(0, EVERY - (performance.now() - began)));
}
function begin(el) {
  if (!el || el.disabled || role === "viewer") return;
  hold = { el, step: el.dataset.step, sent: 0, over: false, timer: setTimeout(repeat, HELD) };
}
function end() {
  if (!hold) return;
  clearTimeout(hold.timer);
  hold.over = true;
  // the click of a hold that has repeated is not one step more
  const mine = hold;
  setTimeout(() => { if (hold === mine) hold = null; }, 50);
}
addEventListener("pointerdown", (event) => { if (event.button === 0) begin(event.target.closest(".step")); }, true);
for (const over of ["pointerup", "pointercancel", "blur"]) addEventListener(over, (event) => {
  if (over !== "blur" || event.target === window) end();
}, true);
addEventListener("pointermove", (event) => {
  // a finger that has left the button does not hold it any more
  if (hold && !hold.over && document.elementFromPoint(event.clientX, event.clientY)?.closest(".step") !== hold.el) end();
}, true);
addEventListener("keydown", (event) => {
  if (event.key !== "Enter" && event.key !== " ") return;
  if (!event.repeat) begin(document.activeElement?.closest(".step"));
}, true);
addEventListener("keyup", (event) => { if (event.key === "Enter" || event.key === " ") end(); }, true);
addEventListener("click", (event) => {
  if (hold && hold.sent && event.target.closest(".step") === hold.el) { event.stopImmediatePropagation(); event.preventDefault(); }
}, true);
addEventListener("contextmenu", (event) => { if (event.target.closest(".step")) event.preventDefault(); });

// ---- a dial that is open here is being turned: said anew as long as somebody looks
let turned = "";
let turns = 0;
function turning() {
  const lamp = picked();
  const dial = lamp && !document.hidden && lamp.querySelector(".turn") ? lamp.id.slice(3) : "";
  if (dial === turned || role === "viewer") return;
  turned = dial;
  clearInterval(turns);
  const tell = () => ask(set, turned ? { what: "turning", targets: [turned] } : { what: "turning" });
  tell();
  if (turned) turns = setInterval(tell, TURNS);
}
document.addEventListener("visibilitychange", turning);

// ---- listening
listen({
  set,
  view: "mark",
  parts(all) { for (const [id, html] of Object.entries(all)) put(id, html); },
  lost(since) {
    end();
    at("lost-since").textContent = clock(since);
    at("lost").hidden = false;
    live(false);
  },
  found() {
    at("lost").hidden = true;
    live(true);
    again();
    seen_first();
    turned = "";
    turning();
  },
});
// ---- a phone that is put down beside the lamp stays lit while this is looked at
async function awake() {
  if (document.hidden || !navigator.wakeLock) return;
  try { await navigator.wakeLock.request("screen"); } catch { /* its battery is low, or nobody has touched it yet */ }
}
document.addEventListener("visibilitychange", awake);
addEventListener("pointerup", awake, { once: true });
awake();
if (!lamps.length) answer(say("No light of this set is in any look."), true);
