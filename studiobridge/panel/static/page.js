// Puts what the server draws where it belongs, sends what is asked, and says when it hears nothing.
"use strict";
(() => {
  const SILENT = 1800;      // ms without a word from the panel: what is shown is not confirmed
  const ARMED = 4000;       // ms within which a second touch counts
  const root = document.documentElement;
  const body = document.body;
  const set = body.dataset.set;
  const at = (id) => document.getElementById(id);

  // ---- dim -----------------------------------------------------------------
  const dim = at("dim");
  const dimmed = (on) => {
    if (on) root.dataset.mode = "dim"; else delete root.dataset.mode;
    if (dim) dim.setAttribute("aria-pressed", String(on));
  };
  let kept = "";
  try { kept = localStorage.getItem("studiobridge-dim") || ""; } catch { /* private window */ }
  dimmed(kept === "yes");
  if (dim) dim.addEventListener("click", () => {
    const on = root.dataset.mode !== "dim";
    dimmed(on);
    try { localStorage.setItem("studiobridge-dim", on ? "yes" : "no"); } catch { /* private window */ }
  });
  // ---- pairing -------------------------------------------------------------
  // a code that came with the address, from a drawing: filled in, and out of the address again
  const secret = document.querySelector("input[name=secret]");
  if (secret && /^#[A-Z0-9]{4}-[A-Z0-9]{4}$/.test(location.hash)) {
    secret.value = location.hash.slice(1);
    history.replaceState(null, "", location.pathname + location.search);
    secret.form.querySelector("button").focus();
  }
  // ---- ticks of a setup: nobody's but this device's --------------------------
  const ticks = at("ticks");
  if (ticks) {
    const key = `studiobridge-ticks ${ticks.dataset.ticks}`;
    const boxes = [...ticks.querySelectorAll("input[data-line]")];
    let done = [];
    try { done = JSON.parse(localStorage.getItem(key) || "[]"); } catch { /* private window */ }
    // a line that says something else by now is not done
    for (const box of boxes) box.checked = Array.isArray(done) && done.includes(box.dataset.line);
    const keep = () => {
      const lines = boxes.filter((box) => box.checked).map((box) => box.dataset.line);
      try { localStorage.setItem(key, JSON.stringify(lines)); } catch { /* private window */ }
    };
    ticks.addEventListener("change", keep);
    at("untick").addEventListener("click", () => { for (const box of boxes) box.checked = false; keep(); });
  }
  if (!set) return;

  // ---- listening -----------------------------------------------------------
  let heard = Date.now();
  let source = null;
  let detail = "";
  let armed = null;         // {key, timer}: the button that waits for its second touch
  let chosen = "";          // the look to come up in

  const keyOf = (el) => [el.dataset.ask, el.dataset.target, el.dataset.look, el.dataset.device].join("|");
  const find = (key) => [...document.querySelectorAll("[data-ask],[data-device]")].find((el) => keyOf(el) === key);

  function put(id, html) {
    const place = at(id);
    if (!place) return;
    const focused = document.activeElement;
    const inside = focused && focused !== body && place.contains(focused);
    const had = inside ? { id: focused.id, key: keyOf(focused) } : null;
    const open = [...place.querySelectorAll("details")].map((el) => el.open);
    place.innerHTML = html;
    place.querySelectorAll("details").forEach((el, i) => { if (open[i]) el.open = true; });
    const again = had && ((had.id && at(had.id)) || find(had.key));
    if (again) again.focus({ preventScroll: true });
    if (armed) { const same = find(armed.key); if (same) dress(same, true); }
  }

  // before the set is up a look is only chosen; the switch takes it along
  function choose() {
    const all = [...document.querySelectorAll(".choose")];
    const big = at("big");
    if (!all.length) { chosen = ""; return; }
    if (!chosen) return;
    for (const el of all) el.setAttribute("aria-pressed", String(el.dataset.look === chosen));
    if (big && big.dataset.ask === "up") big.dataset.look = chosen;
  }
  document.addEventListener("click", (event) => {
    const el = event.target.closest(".choose");
    if (el && !el.disabled) { chosen = el.dataset.look; choose(); }
  });

  function listen() {
    if (source) source.close();
    source = new EventSource(`/s/${set}/events`);
    source.addEventListener("parts", (event) => {
      heard = Date.now();
      const parts = JSON.parse(event.data);
      for (const [id, html] of Object.entries(parts)) put(id, html);
      if (parts.looks || parts.switch) choose();
      if (detail) showDetail(detail, false);
    });
    source.addEventListener("beat", () => { heard = Date.now(); });
    source.addEventListener("end", () => { location.reload(); });
    source.onerror = () => {
      if (source.readyState !== EventSource.CLOSED) return;
      fetch("/api/session", { cache: "no-store" })
        .then((reply) => { if (reply.status === 401) location.reload(); else setTimeout(listen, 700); })
        .catch(() => setTimeout(listen, 700));
    };
  }
  listen();
  setInterval(() => {
    const lost = Date.now() - heard > SILENT;
    if (lost === root.classList.contains("lost")) return;
    root.classList.toggle("lost", lost);
    at("lost-since").textContent = new Date(heard).toLocaleTimeString();
    at("lost").hidden = !lost;
    if (lost) document.querySelectorAll(".ask").forEach((el) => { el.dataset.wasDisabled = String(el.disabled); el.disabled = true; });
    else document.querySelectorAll(".ask").forEach((el) => { if (el.dataset.wasDisabled !== "true") el.disabled = false; });
  }, 250);
  addEventListener("online", listen);

  // ---- asking --------------------------------------------------------------
  const token = document.querySelector('meta[name="studiobridge-token"]').content;
  let answerTimer = 0;
  function answer(text, bad) {
    const place = at("answer");
    place.textContent = text;
    place.classList.toggle("bad", Boolean(bad));
    clearTimeout(answerTimer);
    answerTimer = setTimeout(() => { place.textContent = ""; }, bad ? 15000 : text.startsWith("under way") ? 2500 : 7000);
  }
  async function ask(el) {
    const wish = { what: el.dataset.ask };
    if (el.dataset.target) wish.targets = [el.dataset.target];
    if (el.dataset.look) wish.look = el.dataset.look;
    if (wish.what === "cut") wish.yes = true;
    if (wish.what === "lockout") wish.why = "locked out from the page";
    answer("asking …");
    try {
      const reply = await fetch(`/api/sets/${set}/ask`, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Studiobridge-Token": token },
        body: JSON.stringify(wish),
      });
      const said = await reply.json();
      answer(said.text, !reply.ok);
    } catch {
      answer("the panel cannot be reached: nothing was asked", true);
    }
  }
  function dress(el, on) {
    el.classList.toggle("armed", on);
    const label = el.querySelector(".label") || el;
    if (on) { if (!label.dataset.plain) label.dataset.plain = label.textContent; label.textContent = el.dataset.again; }
    else if (label.dataset.plain) { label.textContent = label.dataset.plain; delete label.dataset.plain; }
  }
  function disarm() {
    if (!armed) return;
    const el = find(armed.key);
    clearTimeout(armed.timer);
    armed = null;
    if (el) dress(el, false);
  }
  document.addEventListener("click", (event) => {
    const el = event.target.closest(".ask");
    if (!el || el.disabled) { if (armed) disarm(); return; }
    const key = keyOf(el);
    if (el.dataset.again && (!armed || armed.key !== key)) {
      disarm();
      armed = { key, timer: setTimeout(disarm, ARMED) };
      dress(el, true);
      return;
    }
    disarm();
    const inside = el.closest("dialog");
    if (inside && inside.id === "cut") inside.close();
    ask(el);
  });

  // ---- one device ----------------------------------------------------------
  const box = at("d");
  async function showDetail(name, open) {
    try {
      const reply = await fetch(`/s/${set}/d/${name}`, { cache: "no-store" });
      if (!reply.ok) return;
      const text = await reply.text();
      if (open) detail = name;
      if (detail !== name) return;
      if (at("d-in").innerHTML !== text) put("d-in", text);
      if (open && !box.open) box.showModal();
    } catch { answer("the panel cannot be reached", true); }
  }
  document.addEventListener("click", (event) => {
    const thing = event.target.closest("[data-device].thing");
    if (thing) { event.preventDefault(); showDetail(thing.dataset.device, true); }
    const close = event.target.closest(".close");
    if (close) close.closest("dialog").close();
    if (event.target.id === "cut-open") at("cut").showModal();
    if (event.target.tagName === "DIALOG") event.target.close();
  });
  box.addEventListener("close", () => { detail = ""; });
})();
