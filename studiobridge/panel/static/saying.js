// Texts of scripts in the language of the page. English is the key, and what stands without a catalogue.
//   import { say } from "./saying.js";   say("asking …")   say("not reached since {time}", { time })
const element = document.getElementById("texts");
const texts = element ? JSON.parse(element.textContent) : {};

export function say(text, values = {}) {
  const said = texts[text] || text;
  return said.replace(/\{(\w+)\}/g, (all, name) => (name in values ? String(values[name]) : all));
}
