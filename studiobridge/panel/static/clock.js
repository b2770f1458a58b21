// A moment (ms since 1970) as the server says it: 20:14:05, in the zone of the set.
"use strict";
const { zone, offset } = document.documentElement.dataset;

export function clock(at) {
  if (zone) {
    try {
      const form = { timeZone: zone, hourCycle: "h23", hour: "2-digit", minute: "2-digit", second: "2-digit" };
      return new Intl.DateTimeFormat("en-GB", form).format(new Date(at));
    } catch { /* a zone that this browser does not know */ }
  }
  return new Date(at + Number(offset || 0) * 1000).toISOString().slice(11, 19);
}
