// Fills in what the browser's own clock says, where a form asks which clock a time was read from.
"use strict";
function clockOf(form) {
  const offset = form.elements.utc_offset;
  const time = form.elements[offset.dataset.time];
  const two = (n) => String(n).padStart(2, "0");
  const offsetAt = (moment) => {
    const east = -moment.getTimezoneOffset();
    return (east < 0 ? "-" : "+") + two(Math.floor(Math.abs(east) / 60)) + ":" + two(Math.abs(east) % 60);
  };
  let { follows } = offset.dataset;
  if (follows) {
    const now = new Date();
    offset.value = offsetAt(now);
    if (follows === "with-time") time.value = `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}T${two(now.getHours())}:${two(now.getMinutes())}`;
  }
  // Summer time: the offset is that of the day typed, until somebody says otherwise.
  offset.addEventListener("change", () => { follows = ""; });
  time.addEventListener("change", () => {
    const moment = new Date(time.value);
    if (follows && !Number.isNaN(moment.getTime())) offset.value = offsetAt(moment);
  });
}
for (const form of document.querySelectorAll("form.dated")) clockOf(form);
