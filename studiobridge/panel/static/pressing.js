// Buttons that ask the set for something: every `.ask` on the page, also those drawn later.
//
//   press({ set, answer })      answer(text, bad) shows what came of it; called once, by the entry of a view
//   ask(set, wish)              asks without a button: a promise of { ok, text }
//   wishOf(button)              what a button asks for
//   live(yes)                   the buttons work, or are off because nothing is heard: `again()` of patching.js after live(true)
//
// A button says what it asks for:
//   data-ask="up"               the word of the request (control/events.py ASKED)
//   data-target, data-look, data-step, data-take, data-mark, data-why, data-items (JSON list), data-force
//   data-again="Take it down?"  wants a second touch, and this is the question; data-yes is what the second button
//                               says (without it: the same as the first)
//   data-after                  a selector of a dialog that closes when it is asked
//
// The second touch is elsewhere, beside the first, and counts after APART ms: two taps by mistake ask for nothing.
// What stands in a dialog that has just opened (`opens(dialog)`) is dead as long: the touch that opened it may come twice.
// By keyboard the focus goes to the question; Escape, No, a touch elsewhere or LASTS ms take it away again.
// What has closed under a touch uncovers what lay below it: that same touch, made twice, is none on what is there.
// A question does not outlast that the page is put away, and a request that nothing answers is said.
// A button whose meaning changed between press and release asks for nothing and says so.
"use strict";
import { hears } from "./listening.js";
import { onPut } from "./patching.js";
import { say } from "./saying.js";

const APART = 500;        // ms between the first touch and one that counts
const LASTS = 8000;       // ms a question stands, and as long as it has the focus
const NEAR = 60;          // px: a second touch of the same finger
const ANSWERS = 12000;    // ms for an answer: the panel itself waits 10 s for the bridge's
const token = () => (document.querySelector('meta[name="studiobridge-token"]') || { content: "" }).content;

export function wishOf(el) {
  const said = el.dataset;
  const wish = { what: said.ask };
  if (said.target) wish.targets = [said.target];
  if (said.look) wish.look = said.look;
  if (said.step) wish.step = said.step;
  if (said.take) wish.take = Number(said.take);
  if (said.mark !== undefined) wish.mark = said.mark;
  if (said.items) wish.items = JSON.parse(said.items);
  if (said.force) wish.force = true;
  if (said.why) wish.why = said.why;
  if (wish.what === "cut") wish.yes = true;
  return wish;
}

export async function ask(set, wish) {
  if (!hears()) return { ok: false, text: say("The panel cannot be reached: nothing was asked.") };
  const given_up = new AbortController();
  const timer = setTimeout(() => given_up.abort(), ANSWERS);
  try {
    spoken("");
    const reply = await fetch(`/api/sets/${set}/ask`, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Studiobridge-Token": token() },
      body: JSON.stringify(wish),
      signal: given_up.signal,
    });
    const { text } = await reply.json();
    spoken(reply.headers.get("content-language"));
    return { ok: reply.ok, text };
  } catch {
    // it lies on the way and may come yet, or was handed on before the way broke: no browser tells these from a way that is not there
    return { ok: false, text: say("No answer came. It may have been asked all the same: see how the set stands.") };
  } finally { clearTimeout(timer); }
}

// The bridge answers in English, whatever the page speaks: whoever reads it aloud has to know.
function spoken(lang) {
  const place = document.getElementById("answer");
  if (!place) return;
  if (lang && lang !== document.documentElement.lang) place.lang = lang; else place.removeAttribute("lang");
}

// What has just come up counts after APART ms, and looks like it from then on: what came up again meanwhile is new again.
const came = new WeakMap();
function comes(box) {
  const since = performance.now();
  came.set(box, since);
  box.classList.add("fresh");
  const settle = () => {
    if (came.get(box) !== since) return;
    if (isNew(box)) setTimeout(settle, 10); else box.classList.remove("fresh");
  };
  setTimeout(settle, APART);
}
const isNew = (box) => performance.now() - (came.get(box) ?? -APART) < APART;

// Opens a dialog; what is in it counts after APART ms.
export function opens(dialog) {
  comes(dialog);
  dialog.showModal();
}
const fresh = (el) => { const dialog = el.closest("dialog"); return dialog !== null && isNew(dialog); };

let off = false;
export function live(yes) {
  off = !yes;
  if (!off) return;
  for (const el of document.querySelectorAll(".ask, .choose")) el.disabled = true;
  forget();
}

// ---- what a touch uncovers: the last one, and the one under which something closed
let touch = { x: 0, y: 0, at: -APART };
let uncovered = touch;
function uncovers() { if (performance.now() - touch.at < APART) uncovered = touch; }
const goes_through = (event) => event.detail > 0 && performance.now() - uncovered.at < APART
  && Math.hypot(event.clientX - uncovered.x, event.clientY - uncovered.y) < NEAR;
document.addEventListener("close", uncovers, true);

// ---- the question ------------------------------------------------------------------
let open = null;          // { el, same, timer }: what is asked about
const same = (el) => JSON.stringify(wishOf(el));

function question() {
  let box = document.getElementById("sure");
  if (box) return box;
  box = document.createElement("div");
  box.id = "sure";
  box.setAttribute("role", "alertdialog");
  box.setAttribute("aria-labelledby", "sure-asks");
  box.tabIndex = -1;
  box.hidden = true;
  const asks = document.createElement("p");
  asks.id = "sure-asks";
  const yes = Object.assign(document.createElement("button"), { type: "button", id: "sure-yes", className: "close" });
  const no = Object.assign(document.createElement("button"), { type: "button", id: "sure-no", className: "close" });
  no.textContent = say("no, leave it");
  const row = document.createElement("div");
  row.className = "acts";
  row.append(yes, no);
  box.append(asks, row);
  return box;
}

function raise(el) {
  forget();
  const box = question();
  // in a dialog, for nothing outside of one can be touched while it is open
  (el.closest("dialog") || document.body).append(box);
  box.querySelector("#sure-asks").textContent = el.dataset.again;
  const label = el.querySelector(".label") || el;
  box.querySelector("#sure-yes").textContent = el.dataset.yes || label.textContent.trim();
  box.hidden = false;
  comes(box);
  // beside what was touched, never over it
  const touched = el.getBoundingClientRect();
  const tall = box.getBoundingClientRect().height + 8;
  const above = touched.top - tall;
  box.style.top = `${above >= 0 ? above : Math.min(touched.bottom + 8, innerHeight - tall)}px`;
  el.classList.add("asked");
  open = { el, same: same(el), timer: 0 };
  wait();
  box.focus({ preventScroll: true });
}

function wait() {
  open.timer = setTimeout(() => {
    // who got there by keyboard or by ear takes the time it takes
    if (document.getElementById("sure").contains(document.activeElement) && byKey) wait(); else forget();
  }, LASTS);
}
// who puts the page away has left the question, whatever a timer that stood still may say
document.addEventListener("visibilitychange", () => { if (document.hidden) forget(); });
addEventListener("pagehide", () => forget());
let byKey = false;
addEventListener("keydown", () => { byKey = true; }, true);
addEventListener("pointerdown", () => { byKey = false; }, true);

function forget() {
  if (!open) return;
  const { el, timer } = open;
  clearTimeout(timer);
  open = null;
  const box = document.getElementById("sure");
  const back = box.contains(document.activeElement);
  uncovers();
  box.hidden = true;
  el.classList.remove("asked");
  if (back && el.isConnected && !el.disabled) el.focus({ preventScroll: true });
}

// ---- presses -------------------------------------------------------------------------
export function press({ set, answer }) {
  let began = null;       // { el, same }: what was pressed, and what it meant then
  let repeats = false;    // a key that is held down asks once

  async function go(wish, el) {
    const dialog = el.dataset.after && document.querySelector(el.dataset.after);
    if (dialog) dialog.close();
    answer(say("asking …"), false, ANSWERS + 1000);
    const { ok, text } = await ask(set, wish);
    answer(text, !ok);
  }
  addEventListener("pointerdown", (event) => {
    const el = event.target.closest(".ask");
    began = el && { el, same: same(el) };
    if (el) el.classList.add("pressed");
  }, true);
  for (const over of ["pointerup", "pointercancel"]) addEventListener(over, () => {
    if (began) began.el.classList.remove("pressed");
  }, true);
  addEventListener("keydown", (event) => {
    repeats = event.repeat;
    if (event.key === "Escape" && open) { event.preventDefault(); forget(); }
  }, true);
  addEventListener("keyup", () => { repeats = false; }, true);

  document.addEventListener("click", (event) => {
    if (repeats) { event.preventDefault(); return; }
    if (goes_through(event)) { began = null; return; }
    if (event.detail > 0) touch = { x: event.clientX, y: event.clientY, at: performance.now() };
    const box = document.getElementById("sure");
    if (open && box.contains(event.target)) {
      const { el } = open;
      if (event.target.id === "sure-no") forget();
      else if (event.target.id === "sure-yes" && !isNew(box)) {
        const wish = JSON.parse(open.same);
        forget();
        go(wish, el);
      }
      return;
    }
    const el = event.target.closest(".ask");
    const first = began;
    began = null;
    if (!el || el.disabled || off) { forget(); return; }
    if (fresh(el)) return;
    if (first && first.el === el && first.same !== same(el)) { answer(say("It changed while you pressed: nothing was asked."), true); return; }
    if (open && open.el === el) { if (!isNew(box)) forget(); return; }
    if (el.dataset.again) { raise(el); return; }
    forget();
    go(wishOf(el), el);
  });
  // what is asked about may be gone by now, or mean something else
  onPut(() => {
    if (off) live(false);
    if (open && (!open.el.isConnected || open.el.disabled || same(open.el) !== open.same)) forget();
  });
}
