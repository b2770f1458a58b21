// The view in the hand.
"use strict";
import { answer } from "./answering.js";
import { clock } from "./clock.js";
import { listen } from "./listening.js";
import { again, onPut, put } from "./patching.js";
import { live, opens, press } from "./pressing.js";
import { say } from "./saying.js";

const { set } = document.body.dataset;
const at = (id) => document.getElementById(id);

// ---- the look to come up in: before the set is up it is only chosen, and the switch takes it along
let chosen = "";
function choose() {
  const all = [...document.querySelectorAll(".choose")];
  const big = at("big");
  if (!all.length) chosen = "";
  if (!chosen) return;
  for (const el of all) el.setAttribute("aria-pressed", String(el.dataset.look === chosen));
  if (big && big.dataset.ask === "up") big.dataset.look = chosen;
}
document.addEventListener("click", (event) => {
  const el = event.target.closest(".choose");
  if (el && !el.disabled) { chosen = el.dataset.look; choose(); }
});

onPut((id) => { if (id === "looks" || id === "switch") choose(); });
press({ set, answer });

// ---- listening
let detail = "";
listen({
  set,
  view: "hand",
  parts(all) {
    for (const [id, html] of Object.entries(all)) put(id, html);
    if (detail) show(detail, false);
  },
  lost(since) {
    const state = at("state").textContent.trim();
    const time = clock(since);
    at("lost").textContent =
      say("No connection to the panel. At {time} it was: {state}. What you see is from then and not confirmed.", { time, state });
    at("lost").hidden = false;
    at("state").textContent = say("not confirmed");
    live(false);
  },
  found() {
    at("lost").hidden = true;
    live(true);
    again();
  },
});

// ---- one device
const box = at("d");
async function show(name, open) {
  try {
    const reply = await fetch(`/s/${set}/d/${name}`, { cache: "no-store" });
    if (!reply.ok) return;
    const text = await reply.text();
    if (open) detail = name;
    if (detail !== name) return;
    put("d-in", text);
    if (open && !box.open) opens(box);
  } catch { answer(say("No answer came: it is not known whether the question arrived."), true); }
}
document.addEventListener("click", (event) => {
  const thing = event.target.closest("[data-device].thing");
  if (thing) { event.preventDefault(); show(thing.dataset.device, true); }
  const close = event.target.closest("dialog > .close, dialog > .acts > .close");
  if (close) close.closest("dialog").close();
  if (event.target.id === "cut-open") opens(at("cut"));
  if (event.target.tagName === "DIALOG") event.target.close();
});
box.addEventListener("close", () => { detail = ""; });
