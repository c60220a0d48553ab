// The printed link carries the token behind "#", which no browser sends or logs; it is moved into the form.
"use strict";
const given = new URLSearchParams(location.hash.slice(1)).get("token");
if (given) {
  history.replaceState(null, "", location.pathname);
  document.getElementById("token").value = given;
  document.getElementById("door").submit();
}
