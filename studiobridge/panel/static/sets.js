// All sets and how each stands: a stream of its own, judged by its beat.
"use strict";
import { clock } from "./clock.js";
import { listen } from "./listening.js";
import { put } from "./patching.js";

const at = (id) => document.getElementById(id);
// the words of a page without a script
at("as-of").hidden = true;
listen({
  url: "/sets/events",
  parts(all) { for (const [id, html] of Object.entries(all)) put(id, html); },
  lost(since) {
    at("lost-since").textContent = clock(since);
    at("lost").hidden = false;
  },
  found() { at("lost").hidden = true; },
});
