// Since when nothing answers, by this device's own clock, and looking again by itself.
const KEY = "studiobridge-reached";
const EVERY = 3000;      // ms
let reached = NaN;
try { reached = Number(localStorage.getItem(KEY) || NaN); } catch { /* private window */ }
if (Number.isFinite(reached)) {
  const at = new Date(reached);
  const today = new Date().toDateString() === at.toDateString();
  const two = (n) => String(n).padStart(2, "0");
  const day = today ? "" : `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} `;
  document.getElementById("since").textContent = `${day}${two(at.getHours())}:${two(at.getMinutes())}`;
  document.getElementById("reached").hidden = false;
  document.getElementById("never").hidden = true;
}
async function look() {
  try {
    // any answer is one, and tells this page nothing of a set
    await fetch("/health", { cache: "no-store", signal: AbortSignal.timeout(EVERY) });
    location.reload();
  } catch { setTimeout(look, EVERY); }
}
setTimeout(look, EVERY);
addEventListener("online", look);
