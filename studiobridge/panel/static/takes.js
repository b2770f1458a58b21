// The pages of takes: the list, which is live, and one take, which listens so that its buttons are honest.
"use strict";
import { answer } from "./answering.js";
import { clock } from "./clock.js";
import { listen } from "./listening.js";
import { put } from "./patching.js";
import { ask, live, press } from "./pressing.js";
import { say } from "./saying.js";

const { set, take, role } = document.body.dataset;
const at = (id) => document.getElementById(id);

function answered(text, bad) {
  answer(text, bad);
  // one take is drawn once: what was said of it stands there when it is read again
  if (take && !bad && text !== say("asking …")) setTimeout(() => location.reload(), 900);
}
press({ set, answer: answered });
if (role === "viewer") live(false);

const note = at("note");
if (note) note.addEventListener("submit", async (event) => {
  event.preventDefault();
  const why = new FormData(note).get("why").trim() || "-";
  const { ok, text } = await ask(set, { what: "mark", take: Number(take), why });
  answered(text, !ok);
});

listen({
  set,
  view: "takes",
  parts(all) { for (const [id, html] of Object.entries(all)) put(id, html); },
  lost(since) {
    at("lost-since").textContent = clock(since);
    at("lost").hidden = false;
    live(false);
  },
  found() {
    at("lost").hidden = true;
    if (role !== "viewer") live(true);
  },
});
