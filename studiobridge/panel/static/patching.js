// Puts what the server draws into the page, in place: what is there stays there and is changed.
//
//   put(id, html)      the inside of the element `id` becomes `html`; nothing when there is no such element
//   again()            everything that was put is put once more (after something else has changed the page)
//   onPut(then)        then(id) is called after each put that changed something
//   held()             the element under a finger, mouse button or pen now; null when there is none
//
// What is pressed or has the focus is never replaced: its words and attributes change where it stands.
// Two elements are the same when they have the same id, or data-key, or ask for the same of the same thing; two rows of
// a list when their first buttons are about the same thing.
// What the server no longer draws goes, except under a finger: that goes when it is let go. A focus that
// stood there goes to the part it stood in. `open` of details and dialog is the reader's own, and so is what
// a field holds while it has the focus.
"use strict";
const latest = new Map();
const listeners = [];
let pressed = null;

const at = (id) => document.getElementById(id);
export const held = () => pressed;
export const onPut = (then) => { listeners.push(then); };

addEventListener("pointerdown", (event) => {
  pressed = event.target.closest("button, a, input, label, summary, [data-device]");
}, true);
for (const over of ["pointerup", "pointercancel", "dragend", "blur"]) addEventListener(over, (event) => {
  if (over === "blur" && event.target !== window) return;
  // the click that follows is still this press's
  if (pressed) setTimeout(() => { pressed = null; late(); }, 0);
}, true);

function late() {
  for (const id of [...waiting]) { waiting.delete(id); if (latest.has(id)) put(id, latest.get(id)); }
}
const waiting = new Set();  // parts in which something is kept only because it is pressed

const WHAT = ["ask", "target", "look", "device", "key"];
function keyOf(node) {
  if (node.nodeType !== 1) return "";
  if (node.id) return `#${node.id}`;
  const said = WHAT.map((name) => node.dataset[name] || "").join("|");
  if (said.length >= WHAT.length) return said;
  // a row of a list is the row of what its first button is about
  if (!/^(LI|TR)$/i.test(node.nodeName)) return "";
  const about = node.querySelector("[data-target], [data-device]");
  return about ? `row of ${about.dataset.target || about.dataset.device}` : "";
}
const alike = (a, b) => a.nodeType === b.nodeType && a.nodeName === b.nodeName && !keyOf(a) && !keyOf(b);

function attributes(from, to) {
  for (const { name } of [...from.attributes]) {
    if (to.hasAttribute(name) || (name === "open" && /^(DETAILS|DIALOG)$/.test(from.nodeName))) continue;
    from.removeAttribute(name);
  }
  for (const { name, value } of to.attributes) {
    if (name === "open" && /^(DETAILS|DIALOG)$/.test(from.nodeName)) continue;
    if (from.getAttribute(name) !== value) from.setAttribute(name, value);
  }
  if (from.nodeName !== "INPUT" || from === document.activeElement) return;
  if (from.checked !== to.checked) from.checked = to.checked;
  if (from.value !== to.value) from.value = to.value;
}

function become(from, to) {
  if (from.nodeType !== 1) { if (from.nodeValue !== to.nodeValue) from.nodeValue = to.nodeValue; return; }
  attributes(from, to);
  children(from, to);
}

function children(from, to) {
  const known = new Map();
  for (const node of from.children) { const key = keyOf(node); if (key) known.set(key, node); }
  let here = from.firstChild;
  for (const want of [...to.childNodes]) {
    const key = keyOf(want);
    let same = null;
    if (key) { same = known.get(key) || null; if (same && same.nodeName !== want.nodeName) same = null; known.delete(key); }
    else for (same = here; same && !alike(same, want); ) same = same.nextSibling;
    if (!same) { from.insertBefore(want, here); continue; }
    // what stands before it makes way: it stays where it is, with the focus and the finger on it
    while (here && here !== same) { const next = here.nextSibling; from.appendChild(here); here = next; }
    here = same.nextSibling;
    become(same, want);
  }
  while (here) {
    const next = here.nextSibling;
    if (pressed && here.contains(pressed)) kept = true; else here.remove();
    here = next;
  }
}
let kept = false;

export function put(id, html) {
  const place = at(id);
  if (!place) return;
  latest.set(id, html);
  const to = place.cloneNode(false);
  to.innerHTML = html;
  const focused = document.activeElement;
  const inside = focused && focused !== place && place.contains(focused);
  kept = false;
  children(place, to);
  if (kept) waiting.add(id);
  if (inside && !place.contains(document.activeElement)) {
    if (!place.hasAttribute("tabindex")) place.setAttribute("tabindex", "-1");
    place.focus({ preventScroll: true });
  }
  for (const then of listeners) then(id);
}

export function again() { for (const [id, html] of latest) put(id, html); }
