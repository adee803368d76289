// Keeps in this browser in which units somebody types, from one form to the next.
"use strict";
function keepUnits(selects, may_fill) {
  const KEY = "fleetdb-units";
  // A browser may refuse to keep anything; the form then works as without a script.
  const kept = () => {
    try { return Object(JSON.parse(localStorage.getItem(KEY))); } catch { return {}; }
  };
  const last = kept();
  for (const select of selects) {
    if (may_fill && [...select.options].some((option) => option.value === last[select.name])) select.value = last[select.name];
    select.addEventListener("change", () => {
      // Another page may have kept other units meanwhile.
      const changed = JSON.stringify({ ...kept(), [select.name]: select.value });
      try { localStorage.setItem(KEY, changed); } catch { /* nothing is kept */ }
    });
  }
}
for (const select of document.querySelectorAll('form.dated select[name$="_unit"]')) keepUnits([select], "fresh" in select.dataset);
