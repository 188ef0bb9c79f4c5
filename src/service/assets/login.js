"use strict";
// A token behind `#` (from the code on the sign) goes into the form, and out of the address.
const token = decodeURIComponent(location.hash.slice(1));
if (token) {
  history.replaceState(null, "", location.pathname);
  document.getElementById("token").value = token;
  document.querySelector("form").requestSubmit();
}
