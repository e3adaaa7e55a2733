/* The drive: its life, and its levels with their limits. */
"use strict";
const shown = JSON.parse($("#shown").dataset.shown), numbers = {};
$$(".script").forEach((one) => { one.hidden = false; });
function life() {
  if (!$("#life-plot")) return;
  drawLife($("#life-plot"), { ...shown.life, label: `Life of ${shown.drive}: captures, cases, what was done` });
  numbers.life = () => [["date", "speed_hz", "usable"], ...shown.life.captures.map((c) => [new Date(c.t * 1000).toISOString(), c.speed, c.good ? "yes" : "no"])];
}
async function trend() {
  const select = $("#series"), place = $("#trend-plot");
  if (!select) return;
  const one = select.selectedOptions[0], [point, measure, subject] = select.value.split("|");
  place.classList.add("waits");
  try {
    const found = await jsonOf(`/api/series?${new URLSearchParams({ site: shown.site, drive: shown.drive, point, measure, subject })}`, `series:${select.value}`);
    place.classList.remove("waits");
    const points = found.time_s.map((t, i) => ({ t, v: found.values[i], speed: found.speed_hz[i], load: found.load_percent[i], good: found.accepted[i] }));
    drawTrend(place, { points, rejected: found.rejected_s, unit: found.unit, short: one.textContent.split(/[,(]/)[0].trim(), usual: one.dataset.usual ? +one.dataset.usual : null, read: $("#trend-read"), label: `${one.textContent}, over time; the arrow keys read it`, limits: JSON.parse(one.dataset.limits), events: found.events.map((e) => ({ t: e.time_s, what: e.what })) });
    numbers.levels = () => [["date", found.unit || "value", "accepted"], ...points.map((p) => [new Date(p.t * 1000).toISOString(), p.v, p.good ? "yes" : "no"])];
  } catch (error) { failed(place, error); }
}
async function levels() {
  const place = $("#levels-part");
  try {
    if (LIVE) {
      const answer = await ask($("#levels").dataset.levels);
      if (!answer.ok) throw new Error(await answer.text());
      place.innerHTML = await answer.text();
    }
    $("#series")?.addEventListener("change", trend);
    trend();
  } catch (error) { failed(place, error); }
}
life();
if ($("#levels")) whenNear($("#levels"), levels);
let widthWas = innerWidth, resizing;
addEventListener("resize", () => { if (innerWidth === widthWas) return; widthWas = innerWidth; clearTimeout(resizing); resizing = setTimeout(() => { life(); trend(); }, 200); });
$$("[data-save]").forEach((button) => { button.onclick = () => { const of = button.dataset.of, place = $(of === "life" ? "#life-plot" : "#trend-plot"); if (place && numbers[of]) savePicture(button.dataset.save, place, `${shown.drive}_${of}`, numbers[of]); else say("This picture is not drawn yet."); }; });
keys({ "/": () => $("#q")?.focus(), Escape: () => $("#up").click() });
