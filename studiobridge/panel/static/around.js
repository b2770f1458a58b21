// The pages around a take: rows that are ticked, kept true by the stream.
"use strict";
import { answer } from "./answering.js";
import { clock } from "./clock.js";
import { listen } from "./listening.js";
import { again, put } from "./patching.js";
import { live, press } from "./pressing.js";

const { set, view } = document.body.dataset;
const at = (id) => document.getElementById(id);

press({ set, answer });

listen({
  set,
  view,
  parts(all) { for (const [id, html] of Object.entries(all)) put(id, html); },
  lost(since) {
    at("lost-since").textContent = clock(since);
    at("lost").hidden = false;
    live(false);
  },
  found() {
    at("lost").hidden = true;
    live(true);
    again();
  },
});
