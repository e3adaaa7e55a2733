"use strict";
// What is typed and ticked is kept in the browser, nowhere else, and saved as the file that `vibe run --readings` reads.
(() => {
  const body = document.body, place = "vibe round " + body.dataset.keep;
  const byId = (id) => document.getElementById(id);
  const fields = [...document.querySelectorAll("input, select, textarea:not([readonly])")];
  const stops = [...document.querySelectorAll("section.stop")];
  let canKeep = true, changed = false, savedAt = "";

  byId("plain").hidden = true;

  const stored = () => {
    try { return JSON.parse(localStorage.getItem(place) || "{}") || {}; } catch (error) { canKeep = false; return {}; }
  };
  const keep = () => {
    const values = {};
    for (const one of fields) {
      const value = one.type === "checkbox" ? one.checked : one.value;
      if (value) values[one.id] = value;
    }
    try {
      const text = JSON.stringify({ values, savedAt, changed });
      localStorage.setItem(place, text);
      canKeep = localStorage.getItem(place) === text;
    } catch (error) { canKeep = false; }
    byId("refused").hidden = canKeep;
  };

  // A comma may part decimals; anything else that is no number is said, and saved as it was typed.
  const number = (text) => text.trim().replace(/[\s\u00a0\u202f]/g, "").replace(",", ".");
  const isNumber = (text) => /^-?\d+(\.\d+)?$/.test(text);
  const check = (one) => {
    if (one.dataset.low === undefined) return;
    const text = number(one.value), say = byId("m" + one.id.slice(1));
    const low = Number(one.dataset.low), high = Number(one.dataset.high);
    let words = "";
    if (text && !isNumber(text)) words = "This is not a number.";
    else if (text && (Number(text) < low || Number(text) > high)) words = "Expected " + low + " to " + high + ". Read again?";
    say.textContent = words;
    one.classList.toggle("doubt", words !== "");
  };

  const cell = (text, plain) => {
    let out = String(text).replace(/\s+/g, " ").trim();
    if (!plain && /^\s*[=+\-@\uff1d\uff0b\uff0d\uff20]/.test(out)) out = "'" + out;
    return /[",]/.test(out) ? '"' + out.replace(/"/g, '""') + '"' : out;
  };
  const stamp = () => {
    const now = new Date(), two = (n) => String(Math.abs(n)).padStart(2, "0"), off = -now.getTimezoneOffset();
    return now.getFullYear() + "-" + two(now.getMonth() + 1) + "-" + two(now.getDate()) + "T" + two(now.getHours()) + ":"
      + two(now.getMinutes()) + (off < 0 ? "-" : "+") + two(Math.trunc(off / 60)) + ":" + two(off % 60);
  };
  const line = (text) => "# " + String(text).replace(/\s+/g, " ").trim() + "\n";
  const asText = () => {
    const columns = body.dataset.columns.split(",");
    let text = line(body.dataset.title) + line("saved " + stamp() + (byId("by").value.trim() ? " by " + byId("by").value : ""));
    text += columns.join(",") + "\n";
    for (const stop of stops) {
      const read = { drive: stop.dataset.drive, name: stop.dataset.name };
      for (const one of stop.querySelectorAll("[data-column]")) {
        const value = one.dataset.low === undefined ? one.value : number(one.value);
        read[one.dataset.column] = one.dataset.low !== undefined && !isNumber(value) ? one.value : value;
      }
      const taken = {};
      for (const one of stop.querySelectorAll("input:checked")) taken[one.dataset.point] = (taken[one.dataset.point] || 0) + 1;
      read.taken = Object.entries(taken).map(([point, count]) => point + (count > 1 ? " × " + count : "")).join("; ");
      text += columns.map((name) => cell(read[name] || "", isNumber(read[name] || ""))).join(",") + "\n";
    }
    return text;
  };

  const count = () => {
    let ticked = 0, boxes = 0, speeds = 0;
    for (const stop of stops) {
      const own = [...stop.querySelectorAll("input[type=checkbox]")], done = own.filter((one) => one.checked).length;
      ticked += done; boxes += own.length;
      if (stop.querySelector("[data-column=speed_rpm]").value.trim()) speeds += 1;
      const link = document.querySelector("a[data-stop='" + stop.dataset.number + "']");
      link.classList.toggle("done", own.length > 0 && done === own.length);
    }
    byId("count").textContent = ticked + " of " + boxes + " captures ticked, speed read at " + speeds + " of " + stops.length
      + " stops. " + (savedAt ? "Saved " + savedAt + (changed ? ", changed since." : ".") : "Not saved yet.");
  };
  const show = () => { for (const one of fields) check(one); count(); if (byId("as-text").open) byId("text").value = asText(); };

  const before = stored();
  for (const one of fields) {
    const value = (before.values || {})[one.id];
    if (value === undefined) continue;
    if (one.type === "checkbox") one.checked = value === true; else one.value = value;
  }
  savedAt = before.savedAt || ""; changed = before.changed === true;
  keep(); show();

  document.addEventListener("input", (event) => {
    if (event.target.id === "text") return;
    changed = true; keep(); show();
  });
  byId("as-text").addEventListener("toggle", show);
  byId("save").addEventListener("click", () => {
    const address = URL.createObjectURL(new Blob([asText()], { type: "text/csv" }));
    const link = document.createElement("a");
    link.href = address; link.download = "readings.csv"; link.click();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
    savedAt = new Date().toTimeString().slice(0, 5); changed = false; keep(); show();
  });
  let sure = 0;
  byId("clear").addEventListener("click", () => {
    const button = byId("clear");
    if (!sure) {
      button.textContent = "Clear all that was typed? Tap once more";
      sure = setTimeout(() => { sure = 0; button.textContent = "Begin a new round"; }, 6000);
      return;
    }
    clearTimeout(sure); sure = 0; button.textContent = "Begin a new round";
    for (const one of fields) { if (one.type === "checkbox") one.checked = false; else one.value = ""; }
    savedAt = ""; changed = false; keep(); show();
  });
  addEventListener("beforeunload", (event) => { if (!canKeep && changed) event.preventDefault(); });
})();
