// Dim: so little light that it does not show on a face. Kept on this device.
"use strict";
const root = document.documentElement;
const dim = document.getElementById("dim");
// what the browser draws round the page is as dark as the page
const around = [...document.querySelectorAll("meta[name=theme-color]")].map((el) => [el, el.content]);
const dimmed = (on) => {
  if (on) root.dataset.mode = "dim"; else delete root.dataset.mode;
  for (const [el, plain] of around) el.content = on ? "#000000" : plain;
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
