// Pictures of lights before they are set, reckoned by the witness: no lamp is touched.
//
//   see(figure, address, alt)   a promise: true when the picture stands in the figure's `.frame`, false when another
//                               was asked for meanwhile (the newest wins, a late one is dropped), or none came
//   clear(figure)               no picture, and none that is still on its way
//   soon(then)                  then() once nothing more was asked for WAIT ms: a hand that goes over four buttons
//
// A figure is marked `coming` while its picture is on the way, so that the old one is not taken for the new one.
"use strict";
import { say } from "./saying.js";

const WAIT = 60;          // ms
const newest = new WeakMap();

export function clear(figure) {
  newest.set(figure, null);
  figure.classList.remove("coming");
  figure.querySelector(".frame").replaceChildren();
}

export function see(figure, address, alt) {
  const picture = new Image();
  newest.set(figure, picture);
  figure.classList.add("coming");
  picture.alt = alt;
  return new Promise((done) => {
    const over = (good) => {
      // another was asked for since: this one is of an older step, whenever it comes
      if (newest.get(figure) !== picture) { done(false); return; }
      figure.classList.remove("coming");
      if (good) figure.querySelector(".frame").replaceChildren(picture);
      else {
        const none = document.createElement("p");
        none.textContent = say("no picture came");
        figure.querySelector(".frame").replaceChildren(none);
      }
      done(good);
    };
    picture.addEventListener("load", () => over(true));
    picture.addEventListener("error", () => over(false));
    picture.src = address;
  });
}

let timer = 0;
export function soon(then) {
  clearTimeout(timer);
  timer = setTimeout(then, WAIT);
}
