// Dim: so little light that it does not show on a face. Kept on this device.
"use strict";
const root = document.documentElement;
const dim = document.getElementById("dim");
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
