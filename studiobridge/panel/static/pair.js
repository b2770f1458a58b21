// Coming in: a code that came with the address, from a drawing, is filled in and leaves the address at once.
"use strict";
const secret = document.querySelector("input[name=secret]");
if (secret && /^#[A-Z0-9]{4}-[A-Z0-9]{4}$/.test(location.hash)) {
  secret.value = location.hash.slice(1);
  history.replaceState(null, "", location.pathname + location.search);
  secret.form.querySelector("button").focus();
}
// A password can be looked at while it is typed; a code always can.
const shown = document.getElementById("show-password");
const password = document.querySelector("input[name=password]");
if (shown && password) {
  shown.closest("label").hidden = false;
  shown.addEventListener("change", () => { password.type = shown.checked ? "text" : "password"; });
}
