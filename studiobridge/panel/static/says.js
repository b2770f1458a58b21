// The words that scripts say themselves, in the language of the page: `data-says` of <body>, drawn by the server.
//
//   says("unreached")                 the text of that name
//   says("since", { when: "20:14" })  with {when} filled in
"use strict";
const texts = JSON.parse(document.body.dataset.says || "{}");
export function says(name, values = {}) {
  return (texts[name] || name).replace(/\{(\w+)\}/g, (whole, key) => (key in values ? values[key] : whole));
}
