// The stream of a view, judged by its beat.
//
//   listen({ set, view, parts, lost, found })      or { url, … }: another stream of the same kind
//       parts(all)    ids and what is inside them: all of them first, then what changed
//       lost(since)   nothing was heard for LOST ms: what is shown is of that moment (ms since 1970) and not confirmed
//       found()       it is heard again
//   hears()           is there a connection now, by its beat?
//   sure()            and a bridge, so that what is shown is so now?
//   onBeat(then)      then() with each beat, and when the connection is lost or found
//
// A connection may be dead while its socket stays open: who hears no beat for SILENT ms makes a new one, and so
// does a page that is looked at again, comes back from the browser's memory, or has the network back.
// `html` has the class `lost` while nothing is heard. The bridge's clock goes on to counting.js.
"use strict";
import { heard as counts } from "./counting.js";

const LOST = 1800;        // ms: twice the beat of the server, and a little
const SILENT = 4000;      // ms without a beat: this connection is dead
const FIRST = 1200;       // ms that a new connection has; each try has longer, for a way that is slow
const PATIENCE = 12000;   // and this at most
const LOOKS = 250;

// Two clocks: one that may be set while the page runs, and one that may stand still while the machine sleeps.
const now = () => ({ wall: Date.now(), run: performance.now() });
const age = (then) => Math.max(Date.now() - then.wall, performance.now() - then.run);

let heard = now();
let is_lost = false;
let clock = null;         // the bridge's (s), as the last beat brought it; null: there is no bridge to be sure of
const listeners = [];

export const hears = () => !is_lost;
export const sure = () => !is_lost && clock !== null;
export const onBeat = (then) => { listeners.push(then); };
const tell = () => { for (const then of listeners) then(); };

export function listen({ set, view, url = `/s/${set}/events?view=${view}`, parts, lost, found }) {
  let source = null;
  let since = now();      // when this connection was begun
  let patience = FIRST;

  function begin() {
    if (source) source.close();
    since = now();
    const mine = new EventSource(url);
    source = mine;
    const word = () => { heard = now(); patience = FIRST; judge(); };
    mine.addEventListener("beat", (event) => {
      if (source !== mine) return;
      clock = JSON.parse(event.data);
      word();
      counts(clock);
      tell();
    });
    mine.addEventListener("parts", (event) => {
      if (source !== mine) return;
      word();
      parts(JSON.parse(event.data));
    });
    mine.addEventListener("end", () => { location.reload(); });
    mine.onerror = () => {
      if (source !== mine || mine.readyState !== EventSource.CLOSED) return;
      // refused: nobody's session any more, or the page's own process is not there
      fetch("/api/session", { cache: "no-store" })
        .then((reply) => { if (reply.status === 401) location.reload(); }).catch(() => {});
      setTimeout(() => { if (source === mine) begin(); }, 700);
    };
  }
  function judge() {
    const silent = age(heard) > LOST;
    if (silent === is_lost) return;
    is_lost = silent;
    document.documentElement.classList.toggle("lost", silent);
    if (silent) {
      counts(null);
      if (lost) lost(heard.wall);
    } else if (found) found();
    tell();
  }
  function look() {
    judge();
    const anew = age(heard) > age(since);   // nothing was heard of this one yet
    if (anew ? age(since) <= patience : age(heard) <= SILENT) return;
    if (anew) patience = Math.min(patience * 1.5, PATIENCE);
    begin();
  }
  // timers stood still while nobody looked: what was heard last may be long ago
  const awake = () => { judge(); if (!document.hidden && age(heard) > LOST) begin(); };
  begin();
  setInterval(look, LOOKS);
  document.addEventListener("visibilitychange", awake);
  addEventListener("pageshow", awake);
  addEventListener("online", begin);
}
