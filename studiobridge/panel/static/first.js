// At the mark: as it is, and as it would be, before a lamp is touched. Nothing is shown where nobody can reckon it.
//
//   first({ set, picked })    picked() is the lamp's element that is shown; returns update(), to be called when it,
//                             or what is known of the lights, has changed
"use strict";
import { clear, see, soon } from "./previews.js";
import { say } from "./saying.js";

const at = (id) => document.getElementById(id);
const ONCE = { stop: 0.3, mired: 20 };   // a press of what is tried; more at once is not set (control/stepping.py)
const MOST = { stop: 0.9, mired: 60 };

export function first({ set, picked }) {
  const box = at("first");
  if (!box) return () => {};
  const is = at("as-is"), would = at("would-be"), go = at("set-so"), what = at("tried");
  let lamp = "", known = "", tried = { unit: "stop", by: 0 }, over = null;
  let shown_is = "", shown_would = "";

  const signed = (by, unit) => `${by < 0 ? "-" : "+"}${unit === "stop" ? Math.abs(by).toFixed(1) : Math.abs(by)} ${unit}`;
  const step = () => over || (tried.by ? signed(tried.by, tried.unit) : "");
  const address = (more) => `/s/${set}/picture/preview.jpg?${new URLSearchParams({ ...more, v: known })}`;

  function words(by) {
    const [size, unit] = by.split(" ");
    const less = size[0] === "-";
    const much = size.slice(1);
    if (unit === "stop") return less ? say("{much} stop darker", { much }) : say("{much} stop brighter", { much });
    return less ? say("{much} mired cooler", { much }) : say("{much} mired warmer", { much });
  }

  async function draw() {
    if (box.hidden) return;
    const now = `${known}`;
    if (shown_is !== now) {
      shown_is = now;
      if (!(await see(is, address({}), say("The set as the lamps report it; reckoned, no photograph."))) && shown_is === now) shown_is = "";
    }
    const by = step();
    const then = `${lamp} ${by} ${known}`;
    if (shown_would === then) return;
    shown_would = then;
    if (!by) { clear(would); at("would-be-says").textContent = say("as it would be: choose below"); return; }
    at("would-be-says").textContent = say("as it would be: {lamp} {how}", { lamp, how: words(by) });
    const alt = say("The set as it would be with {lamp} {how}; reckoned, no photograph.", { lamp, how: words(by) });
    if (!(await see(would, address({ lamp, step: by }), alt)) && shown_would === then) shown_would = "";
  }

  function update() {
    const span = at("can-see").querySelector("[data-now]");
    const name = picked() ? picked().id.slice(3) : "";
    const buttons = picked() ? [...picked().querySelectorAll(".step")] : [];
    const can = Boolean(span) && !span.dataset.why && buttons.some((el) => !el.disabled);
    if (name !== lamp) { lamp = name; tried = { unit: "stop", by: 0 }; over = null; }
    known = span ? span.dataset.now : "";
    const was = box.hidden;
    box.hidden = !can;
    if (!can) { if (!was) { clear(is); clear(would); } shown_is = shown_would = ""; return; }
    const whites = buttons.some((el) => el.dataset.step.endsWith("mired"));
    for (const el of box.querySelectorAll("[data-try]")) {
      const [size, unit] = el.dataset.try.split(" ");
      el.hidden = unit === "mired" && !whites;
      el.disabled = false;
      el.setAttribute("aria-pressed", String(tried.unit === unit && tried.by !== 0 && (tried.by < 0) === (Number(size) < 0)));
    }
    const by = tried.by ? signed(tried.by, tried.unit) : "";
    const held = Math.abs(tried.by) > ONCE[tried.unit] + 1e-6;
    go.dataset.target = lamp;
    go.dataset.step = by;
    go.disabled = !by || held;
    what.textContent = held ? say("More than this at once is not set: step there.") : "";
    soon(draw);
  }

  box.addEventListener("click", (event) => {
    const el = event.target.closest("[data-try]");
    if (el) {
      const [size, unit] = el.dataset.try.split(" ");
      const by = tried.unit === unit ? tried.by + Number(size) : Number(size);
      const next = Math.round(by * 10) / 10;
      if (Math.abs(next) <= MOST[unit] + 1e-6) tried = { unit, by: next };
      over = null;
      update();
    }
    // what is set is no more tried: the picture of it comes when the lamp says so
    if (event.target.closest("#set-so") && !go.disabled) setTimeout(() => { tried = { unit: "stop", by: 0 }; update(); }, 0);
  });
  // a mouse or the focus over a step shows it; a finger presses it
  const over_step = (event) => {
    const el = event.target.closest && event.target.closest(".step");
    const next = el && !el.disabled ? el.dataset.step : null;
    if (next === over || (event.pointerType && event.pointerType !== "mouse")) return;
    over = next;
    soon(draw);
  };
  document.addEventListener("pointerover", over_step);
  document.addEventListener("focusin", (event) => { if (event.target.matches?.(".step:focus-visible")) over_step(event); });
  document.addEventListener("focusout", (event) => { if (over && event.target.matches?.(".step")) { over = null; soon(draw); } });
  return update;
}
