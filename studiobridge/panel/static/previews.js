// Pictures of lights before they are set, reckoned by the witness: no lamp is touched.
//
//   see(figure, address, alt)   a promise: true when the picture stands in the figure's `.frame`, false when another
//                               was asked for meanwhile (the newest wins, a late one is dropped), or none came
//   clear(figure)               no picture, and none that is still on its way
//   soon(then)                  then() once nothing more was asked for WAIT ms: a hand that goes over four buttons
//
// Of a picture that is black it is said that it is: an empty box and a dark set look alike.
// A figure is marked `coming` while its picture is on the way, so that the old one is not taken for the new one.
"use strict";
import { say } from "./saying.js";

const WAIT = 60;          // ms
// A camera's black is a few codes of 255; the least that anybody sees on a phone is above this.
const BLACK = 24;
const newest = new WeakMap();
let count = 0;

export function clear(figure) {
  newest.set(figure, null);
  figure.classList.remove("coming");
  figure.querySelector(".frame").replaceChildren();
}

// A picture that does not come does not say why: its address does.
async function why(address) {
  try {
    return (await (await fetch(address)).json()).text;
  } catch { return "…"; }
}

function is_black(picture) {
  const small = document.createElement("canvas");
  [small.width, small.height] = [32, 18];
  const pen = small.getContext("2d");
  pen.drawImage(picture, 0, 0, small.width, small.height);
  const codes = pen.getImageData(0, 0, small.width, small.height).data;
  return codes.every((code, at) => at % 4 === 3 || code < BLACK);
}

export function see(figure, address, alt) {
  const picture = new Image();
  newest.set(figure, picture);
  figure.classList.add("coming");
  picture.alt = alt;
  // a browser keeps a picture of one address in its memory, whatever it was told: each is asked for anew
  const fresh = `${address}${address.includes("?") ? "&" : "?"}n=${Date.now()}-${++count}`;
  return new Promise((done) => {
    const over = (good) => {
      // another was asked for since: this one is of an older step, whenever it comes
      if (newest.get(figure) !== picture) { done(false); return; }
      figure.classList.remove("coming");
      if (good) {
        figure.querySelector(".frame").replaceChildren(picture);
        if (is_black(picture)) {
          const said = document.createElement("p");
          said.textContent = say("as good as black: no lamp that was learned gives light in it");
          picture.alt = `${alt} ${said.textContent}`;
          figure.querySelector(".frame").append(said);
        }
      } else {
        const none = document.createElement("p");
        figure.querySelector(".frame").replaceChildren(none);
        why(address).then((text) => { none.textContent = say("no picture came: {why}", { why: text }); });
      }
      done(good);
    };
    picture.addEventListener("load", () => over(true));
    picture.addEventListener("error", () => over(false));
    picture.src = fresh;
  });
}

let timer = 0;
export function soon(then) {
  clearTimeout(timer);
  timer = setTimeout(then, WAIT);
}
