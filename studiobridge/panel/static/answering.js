// What came of a request, in the line of the page that says it, for as long as it takes to read.
//
//   answer(text, bad, lasts)    `lasts`: ms, where another word surely follows
"use strict";
const BAD = 15000;        // ms: what went wrong is read twice
const DONE = 7000;
const UNDER_WAY = 2500;   // what happens next is seen on the page itself

let timer = 0;
export function answer(text, bad, lasts) {
  const place = document.getElementById("answer");
  place.textContent = text;
  place.classList.toggle("bad", bad);
  clearTimeout(timer);
  timer = setTimeout(() => { place.textContent = ""; }, lasts || (bad ? BAD : text.startsWith("under way") ? UNDER_WAY : DONE));
}
