// What this browser keeps of the page: a worker that has its files, and when it was reached last.
"use strict";
import { hears, onBeat } from "./listening.js";

const KEY = "studiobridge-reached";
const EVERY = 5000;        // ms: how often the time is written down while it is heard
const ANEW = 3600000;      // ms: a page that stays open for an evening looks for a new version
let written = 0;

export function reached() {
  if (Date.now() - written < EVERY) return;
  written = Date.now();
  try { localStorage.setItem(KEY, String(written)); } catch { /* private window */ }
}
reached();
onBeat(() => { if (hears()) reached(); });

// only where the way is safe: over plain http to another machine no browser has one
const workers = navigator.serviceWorker;
if (workers) {
  // what takes over here for the first time is no new version
  let before = Boolean(workers.controller);
  workers.addEventListener("controllerchange", () => {
    if (!before) { before = true; return; }
    // the page and its scripts are one version: a new one begins when nobody has begun anything
    const busy = () => document.querySelector("dialog[open], .armed, :active, input:focus");
    const begin = () => { if (busy()) setTimeout(begin, 1000); else location.reload(); };
    begin();
  });
  workers.register("/worker.js", { updateViaCache: "none" }).then((kept) => {
    const look = () => kept.update().catch(() => { /* not reached now: the next time */ });
    setInterval(look, ANEW);
    let lost = false;
    onBeat(() => { if (lost && hears()) look(); lost = !hears(); });
  }).catch(() => { /* refused: the page does without */ });
}
