// The ticks of a setup: nobody's but this device's.
"use strict";
const at = (id) => document.getElementById(id);
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
