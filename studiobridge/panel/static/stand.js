// The view across the room: the word as large as it fits, a screen that stays on, and, if wanted, a sound.
"use strict";
import { clock } from "./clock.js";
import { count } from "./counting.js";
import { listen } from "./listening.js";
import { put } from "./patching.js";
import { say } from "./saying.js";

const { set } = document.body.dataset;
const at = (id) => document.getElementById(id);

// ---- as large as it fits: measured at one size, for letters are as wide as the font has them
const TRIED = 100;        // px
// shares of a form's width and height that stay inside of it
const INSIDE = { wide: 0.92, high: 0.82 };
const NARROWER = {
  up: { wide: 0.84 }, down: { wide: 0.84 }, stopped: { wide: 0.84 }, ready: { wide: 0.76, high: 0.66 },
  moved: { wide: 0.84 }, wait: { wide: 0.78 }, lost: { high: 0.7 }, adjusting: { high: 0.66 },
};
const LEAST = 0.128;      // of the short side: below this it is not read at 3 m, and the page scrolls instead
// of the short side: larger letters give more light, and who wants a dim screen wants little of it
const DIMMED = 0.17;
function fit() {
  for (const place of [at("stand"), at("lost")]) {
    const state = place.querySelector(".state");
    const large = place.querySelector(".large");
    if (!state || !state.clientWidth) continue;
    place.style.setProperty("--size", "1px");
    const inside = { ...INSIDE, ...NARROWER[state.dataset.state] };
    const free = { wide: state.clientWidth * inside.wide, high: state.clientHeight * inside.high };
    place.style.setProperty("--size", `${TRIED}px`);
    large.style.position = "absolute";     // what it needs, not what it is given
    const short = Math.min(innerWidth, innerHeight);
    const [least, most] = [LEAST * short, document.documentElement.dataset.mode === "dim" ? DIMMED * short : Infinity];
    const sizes = [true, false].map((row) => {
      place.classList.toggle("abreast", row);
      const across = TRIED * free.wide / large.offsetWidth;
      return Math.min(across, Math.max(least, TRIED * free.high / large.offsetHeight));
    });
    large.style.position = "";
    place.classList.toggle("abreast", sizes[0] > sizes[1]);
    place.style.setProperty("--size", `${Math.floor(Math.min(most, Math.max(...sizes)))}px`);
  }
}
addEventListener("resize", fit);
new MutationObserver(fit).observe(document.documentElement, { attributes: true, attributeFilter: ["data-mode"] });
// a time gets longer while it is counted: 9:59, 10:00; or it is over, which is a sentence
let long = 0;
new MutationObserver(() => {
  const now = at("stand").querySelector(".count")?.textContent.length ?? 0;
  if (now !== long) { long = now; fit(); }
}).observe(at("stand"), { subtree: true, childList: true, characterData: true });
document.fonts?.ready.then(fit);

// ---- a screen that stays on
let kept = null;
async function awake() {
  const place = at("awake");
  const by_hand = say("This screen may go dark: set its time-out to never, for this evening.");
  if (document.hidden) return;
  if (!navigator.wakeLock) { place.textContent = by_hand; return; }
  try {
    if (kept && !kept.released) return;
    kept = await navigator.wakeLock.request("screen");
    place.textContent = "";
    // taken back while it is looked at (a battery that runs low): said, and asked for again when it is looked at anew
    kept.addEventListener("release", () => { if (!document.hidden) place.textContent = by_hand; });
  } catch { place.textContent = by_hand; }
}
document.addEventListener("visibilitychange", awake);
addEventListener("pageshow", awake);
awake();

// ---- sound and vibration: asked for by a touch, and never while it rolls
const TONES = {           // Hz, one after another, 0.16 s each
  ready: [440, 660],
  moved: [520, 390, 520],
  stopped: [300, 300, 300],
};
const SHAKES = { ready: [120], moved: [80, 80, 80], stopped: [300, 120, 300] };
const EACH = 0.16;        // s
let sound = null;
let shakes = false;
let last = "";            // the last word that said how the set stands
let quiet = false;        // a camera rolls, or nobody knows
function tones(code) {
  if (!sound) return;
  const start = sound.currentTime + 0.02;
  TONES[code].forEach((hertz, i) => {
    const from = start + i * EACH;
    const tone = sound.createOscillator();
    const level = sound.createGain();
    tone.frequency.value = hertz;
    level.gain.setValueAtTime(0, from);
    level.gain.linearRampToValueAtTime(0.25, from + 0.02);
    level.gain.linearRampToValueAtTime(0, from + EACH - 0.01);
    tone.connect(level).connect(sound.destination);
    tone.start(from);
    tone.stop(from + EACH);
  });
}
// tells the page's own tests and nobody else what was played
const played = (code) => document.dispatchEvent(new CustomEvent("signalled", { detail: code }));
function signal(code) {
  if (!(code in TONES) || quiet) return;
  // it stood still while a camera rolled, and takes a moment to go on
  sound?.resume().then(() => { if (sound && !quiet) { tones(code); played(`sound ${code}`); } }).catch(() => {});
  if (shakes) { navigator.vibrate(SHAKES[code]); played(`shake ${code}`); }
}
function changed() {
  const state = at("stand").querySelector("[data-state]");
  const code = state ? state.dataset.state : "lost";
  quiet = Boolean(state) && state.hasAttribute("data-rolls");
  // a tone that is under way when a camera begins to roll ends there
  if (quiet && sound) sound.suspend();
  if (code === "lost" || code === "wait" || code === last) return;
  const before = last;
  last = code;
  if (before) signal(code);
}
function pressed(el, on) { el.setAttribute("aria-pressed", String(on)); }
at("sound").addEventListener("click", async () => {
  const el = at("sound");
  if (sound) { await sound.close(); sound = null; pressed(el, false); return; }
  const Sound = window.AudioContext || window.webkitAudioContext;
  if (!Sound) { el.disabled = true; return; }
  sound = new Sound();
  await sound.resume();
  pressed(el, true);
  if (!quiet) tones("ready");
});
const shake = at("shake");
shake.hidden = !navigator.vibrate;
shake.addEventListener("click", () => {
  shakes = !shakes;
  pressed(shake, shakes);
  if (shakes && !quiet) navigator.vibrate(60);
});

// ---- listening
listen({
  set,
  view: "stand",
  parts(all) {
    for (const [id, html] of Object.entries(all)) put(id, html);
    count();
    changed();
    fit();
  },
  lost(since) {
    at("lost-since").textContent = clock(since);
    at("lost").hidden = false;
    fit();
  },
  found() { at("lost").hidden = true; fit(); },
});
changed();
fit();
