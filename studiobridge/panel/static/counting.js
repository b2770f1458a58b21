// Times that count by themselves, by the bridge's clock and only while the bridge is heard.
//
//   <span data-counts-to="2026-03-01T20:00:14.000Z">14 s</span>      how long until then
//   <span data-counts-from="2026-03-01T20:00:00.000Z">0 s</span>     how long since then
//   data-counts-as="clock"      0:42 or 1:02:03 instead of 42 s or 1 h 02 min
//   data-counts-over="…"        what stands there when the time it counts to is over
//
// `heard(clock)` is called with each beat of the stream: the bridge's clock in seconds, or null
// where no bridge is there. A phone's own clock is never asked what time it is.
const ALIVE = 4000;     // ms without a beat, after which nothing counts
const APART = 2000;     // ms by which two clocks of this machine may have run apart: it slept
const STEPPED = 2;      // s by which the bridge's clock is believed to have been set anew
const DASH = "–";

let last = null;        // {own, day}: when the last beat came, by two clocks of this machine
let ahead = null;       // the bridge's clock less ours (s); a late beat makes it less, never more
let since = 0;          // beats since `ahead` was last taken anew

const own = () => performance.now();

// The bridge's clock, as its beat brought it (s, or null: nobody runs the set).
export function heard(clock) {
  last = { own: own(), day: Date.now() };
  const found = typeof clock === "number" && Number.isFinite(clock) ? clock - own() / 1000 : null;
  const anew = ahead === null || found === null || Math.abs(found - ahead) > STEPPED || since >= 8;
  since = anew ? 0 : since + 1;
  ahead = anew ? found : Math.max(ahead, found);
  count();
}

// Is the bridge heard now, so that time may run on?
export function alive() {
  if (last === null || ahead === null) return false;
  const gone = own() - last.own;
  return gone <= ALIVE && Math.abs(Date.now() - last.day - gone) <= APART;
}

// What the bridge's clock shows now (s); null when it is not heard.
export function now() {
  return alive() ? own() / 1000 + ahead : null;
}

// 14 s, 2 min 05 s, 1 h 20 min: the same as the server says them.
function words(seconds) {
  const two = (n) => String(n).padStart(2, "0");
  if (seconds < 60) return `${seconds} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min ${two(seconds % 60)} s`;
  return `${Math.floor(seconds / 3600)} h ${two(Math.floor(seconds % 3600 / 60))} min`;
}
function clock(seconds) {
  const two = (n) => String(n).padStart(2, "0");
  const minutes = Math.floor(seconds / 60);
  if (minutes < 60) return `${minutes}:${two(seconds % 60)}`;
  return `${Math.floor(minutes / 60)}:${two(minutes % 60)}:${two(seconds % 60)}`;
}

function shown(el, at) {
  const to = el.dataset.countsTo;
  const then = Date.parse(to ?? el.dataset.countsFrom) / 1000;
  if (at === null || !Number.isFinite(then)) return DASH;
  if (to !== undefined && then <= at && el.dataset.countsOver !== undefined) return el.dataset.countsOver;
  // to a time: the second that has begun counts whole; from one: only when it is over
  const seconds = Math.max(0, to !== undefined ? Math.ceil(then - at - 0.05) : Math.floor(at - then));
  return (el.dataset.countsAs === "clock" ? clock : words)(seconds);
}

// All elements, at once: when parts were put, a beat came, or a quarter of a second is over.
export function count() {
  const at = now();
  for (const el of document.querySelectorAll("[data-counts-to],[data-counts-from]")) {
    const text = shown(el, at);
    if (el.textContent !== text) el.textContent = text;
    el.classList.toggle("uncounted", text === DASH);
    el.classList.toggle("over", text === el.dataset.countsOver);
  }
}

setInterval(count, 250);
// what the server has just put is as old as its drawing: it is counted before anybody sees it
new MutationObserver(count).observe(document.documentElement, {
  subtree: true, childList: true, attributes: true, attributeFilter: ["data-counts-to", "data-counts-from"],
});
