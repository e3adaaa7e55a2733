/* The case: pictures fetched when they are near the screen, the cursor, the panel that keeps every word. */
"use strict";
const shown = JSON.parse($("#shown").dataset.shown), place = { trend: $("#trend-plot"), spectra: $("#spectrum-plot"), turn: $("#turn-plot"), cascade: $("#cascade-plot") };
$$(".script").forEach((one) => { one.hidden = false; });
const address = (path, more) => `/api/${path}?${new URLSearchParams({ site: shown.site, ...Object.fromEntries(Object.entries(more).filter(([, v]) => v !== "" && v !== null && v !== undefined)) })}`;
const WIDE = { order: "Order of the input", Hz: "Frequency (Hz)" };
const numbers = {};

/* ── the trend ── */
async function trend() {
  const select = $("#series");
  if (!place.trend || !select) return;
  const [point, measure, subject] = select.value.split("|");
  place.trend.classList.add("waits");
  try {
    const found = await jsonOf(address("series", { drive: shown.drive, point, measure, subject }), `series:${select.value}`);
    place.trend.classList.remove("waits");
    const points = found.time_s.map((t, i) => ({ t, v: found.values[i], speed: found.speed_hz[i], load: found.load_percent[i], good: found.accepted[i] }));
    const name = select.selectedOptions[0].textContent;
    drawTrend(place.trend, {
      points, rejected: found.rejected_s, unit: found.unit, short: name.split(/[,(]/)[0].trim(), usual: shown.usual[select.value], read: $("#trend-read"), label: `${name}, over time; the arrow keys read it`,
      limits: shown.limits[select.value] || [], events: [...found.events.map((e) => ({ t: e.time_s, what: e.what })), { t: Date.parse(shown.since) / 1000, what: "case began" }],
    });
    numbers.trend = () => [["date", found.unit || "value", "accepted"], ...points.map((p) => [new Date(p.t * 1000).toISOString(), p.v, p.good ? "yes" : "no"])];
  } catch (error) { failed(place.trend, error); }
}
$("#series")?.addEventListener("change", trend);

/* ── before and after ── */
/* A copy of pages carries whole spectra of A and B alone: what it lacks is not offered. */
if (!LIVE) for (const name of ["cap-c", "window"]) { const one = $(`#${name}`) || $(`[name=${name}]`); if (one) one.closest("label").hidden = true; }
const how = $("#how"), picks = { a: $("#cap-a"), b: $("#cap-b"), c: $("#cap-c") };
const view = { from: null, to: null, speed: null, drawn: null };
const COLOURS = { a: [BLUE, 1.2, ""], b: [AMBER, 1.2, "4 2"], c: [GREEN, 1, "1.5 2"] };
const chosen = () => { const form = new FormData(how); return { kind: form.get("kind"), axis: form.get("axis"), dB: form.get("scale") === "dB", window: form.get("window") }; };
const band = () => ({ lo: $("#band-lo")?.value || "", hi: $("#band-hi")?.value || "" });
async function pointsOf(content) { return jsonOf(address("points", { capture: content }), `points:${content}`); }

let spectrumTurn = 0;
async function spectrum() {
  if (!how) return;
  const mine = ++spectrumTurn, { kind, axis, dB, window: shape } = chosen(), point = $("#point").value, wave = kind === "waveform";
  $$(".unit").forEach((one) => { one.textContent = wave && one.closest(".next-to > div:first-child") ? "s" : axis; });
  $(".next-to > div:last-child").hidden = wave;
  place.spectra.classList.add("waits");
  const said = $("#spectrum-said");
  try {
    const asked = Object.entries(picks).filter(([, select]) => select.value);
    const more = { point, cells: 4000, from: view.from, to: view.to };
    const parts = await Promise.all(asked.map(async ([name, select]) => {
      const one = { capture: select.value, ...more }, key = `${kind}:${axis}:${select.value}`;
      if (wave) return [name, await rowsOf(address("waveform", { ...one, from: view.from ?? 0, to: view.to ?? 0.5 }), key)];
      const limits = kind === "envelope" ? band() : {};
      return [name, await rowsOf(address("spectrum", { ...one, kind, axis, window: shape, ...limits }), key)];
    }));
    if (mine !== spectrumTurn) return;
    place.spectra.classList.remove("waits");
    const longest = parts.map(([, row]) => row.x0 + row.dx * (wave ? row.shape[1] : row.values.length)).reduce((m, v) => Math.max(m, v), 0);
    const from = view.from ?? 0, to = view.to ?? (wave ? 0.5 : longest);
    view.drawn = { from, to };
    $("#from").value = +from.toPrecision(6);
    $("#to").value = +to.toPrecision(6);
    const traces = parts.map(([name, row]) => ({ name, row, wave, colour: COLOURS[name][0], width: COLOURS[name][1], dash: COLOURS[name][2] }));
    const first = traces[0]?.row, limits = band(), unit = axis === "order" && shown.speed ? shown.speed : 1;
    const drawn = drawSpectrum(place.spectra, {
      traces, from, to, dB: dB && !wave, wave, cursor: $("#harm").checked ? +$("#f0").value : 0, slip: 0.0025, spacing: $("#side").checked ? +$("#spacing").value : 0,
      band: kind === "acceleration" && limits.lo && limits.hi ? [limits.lo / unit, limits.hi / unit] : null, xWords: wave ? "Time (s)" : WIDE[axis], yWords: first ? `${wave ? first.y_name : kind[0].toUpperCase() + kind.slice(1)} (${first.unit})` : "",
      label: `${kind} of ${traces.map((t) => t.name.toUpperCase()).join(", ")} at ${point}; the table lists the harmonics of the cursor`,
      dragged: (a, b, shift) => {
        if (shift && kind === "acceleration" && LIVE) { $("#band-lo").value = Math.round(a * unit); $("#band-hi").value = Math.round(b * unit); say(`Band of the envelope: ${$("#band-lo").value} to ${$("#band-hi").value} Hz.`); spectrum(); return; }
        view.from = a; view.to = b; spectrum();
      },
      placed: (x) => { if (wave) return; $("#f0").value = +x.toPrecision(5); $("#harm").checked = true; spectrum(); },
      nudged: async (by) => { $("#f0").value = +(+$("#f0").value + by * (traces[0]?.row.dx || 0.01)).toPrecision(6); await spectrum(); $("svg", place.spectra).focus(); },
    });
    const names = Object.fromEntries(traces.map((t, i) => [t.name, i])), cell = (text) => node("td", text, { className: "n" });
    $(".lines tbody").replaceChildren(...drawn.rows.slice(0, 9).map(([n, f, ...values]) => {
      const line = document.createElement("tr"), a = values[names.a] ?? null, b = names.b === undefined ? null : values[names.b];
      const th = node("th", `${n}×`);
      th.scope = "row";
      line.append(th, cell(f.toFixed(axis === "Hz" ? 1 : 3)), cell(valueText(a)), cell(valueText(b)), cell(a > 0 && b > 0 ? `${signedText(20 * Math.log10(a / b))} dB` : "–"));
      return line;
    }));
    said.textContent = [...new Set(parts.flatMap(([, row]) => row.remarks))].join(" ");
    numbers.spectra = () => {
      if (wave) return [["time_s", ...traces.flatMap((t) => [`${t.name}_least`, `${t.name}_greatest`])], ...Array.from({ length: first.shape[1] }, (_, i) => [first.x0 + i * first.dx, ...traces.flatMap((t) => [t.row.values[i], t.row.values[t.row.shape[1] + i]])])];
      return [[axis, ...traces.map((t) => `${t.name}_${t.row.unit}`)], ...Array.from(first.values, (_, i) => { const x = first.x0 + i * first.dx; return [x, ...traces.map((t) => t.row.values[Math.round((x - t.row.x0) / t.row.dx)] ?? "")]; })];
    };
  } catch (error) { if (mine === spectrumTurn) { failed(place.spectra, error); said.textContent = ""; } }
}
async function points() {
  const found = await pointsOf(picks.a.value), select = $("#point"), was = select.value || shown.point;
  shown.speed = found.speed_hz;
  select.replaceChildren(...found.points.map((one) => node("option", one.name, { value: one.name })));
  if ([...select.options].some((one) => one.value === was)) select.value = was;
}
const again = () => { view.from = view.to = null; };
if (how) {
  how.addEventListener("submit", (event) => event.preventDefault());
  let axisWas = chosen().axis;
  how.addEventListener("change", (event) => {
    const { axis } = chosen();
    if (event.target.name === "kind") again();
    if (axis !== axisWas && shown.speed) {
      const k = axis === "Hz" ? shown.speed : 1 / shown.speed;
      for (const id of ["f0", "spacing"]) $(`#${id}`).value = +($(`#${id}`).value * k).toPrecision(6);
      if (view.from !== null) { view.from *= k; view.to *= k; }
    }
    axisWas = axis;
    spectrum();
  });
  for (const [name, select] of Object.entries(picks)) select.addEventListener("change", async () => { try { if (name === "a") await points(); } catch (error) { say(error.message); } spectrum(); if (name === "a") turn(); });
  for (const id of ["point", "harm", "side", "f0", "spacing", "band-lo", "band-hi"]) $(`#${id}`)?.addEventListener("change", () => { spectrum(); if (id === "point") { turn(); cascade(); } });
  for (const id of ["from", "to"]) $(`#${id}`).addEventListener("change", () => { const a = +$("#from").value, b = +$("#to").value; if (b > a) { view.from = a; view.to = b; spectrum(); } else say("“To” must be beyond “From”."); });
  $("#whole").onclick = () => { again(); spectrum(); };
  $("#tone").addEventListener("change", (event) => {
    const tone = shown.tones.find((one) => one.id === event.target.value), k = chosen().axis === "Hz" && shown.speed ? shown.speed : 1;
    if (!tone) return;
    $("#f0").value = +(tone.order * k).toPrecision(6);
    if (tone.side) $("#spacing").value = +(tone.side * k).toPrecision(6);
    spectrum();
  });
  if ($("#listen")) $("#listen").onclick = async () => {
    const limits = band(), sound = $("#sound");
    try {
      const answer = await fetch(address("sound", { capture: picks.a.value, point: $("#point").value, ...limits }));
      if (!answer.ok) throw new Error(await answer.text());
      sound.src = URL.createObjectURL(await answer.blob());
      sound.hidden = false;
      await sound.play().catch(() => {});
      say(JSON.parse(answer.headers.get("x-title")));
    } catch (error) { say(error.message || "The desk does not answer."); }
  };
  /* C may be any capture of any drive of this site. */
  const other = async (drive, latest) => {
    try {
      const found = await jsonOf(address("captures", { drive }));
      if (!found.length) { say(`No capture of ${drive} is kept.`); return; }
      picks.c.replaceChildren(node("option", "none", { value: "" }), ...found.map((one) => node("option", `${drive}, ${dated(Date.parse(one.at) / 1000)}${one.kept === "accepted" ? "" : `, ${one.kept}`}`, { value: one.content })));
      $("#other").value = drive;
      if (latest) { picks.c.value = (found.find((one) => one.kept !== "rejected") || found[0]).content; spectrum(); $("#spectra").scrollIntoView(); }
    } catch (error) { say(error.message); }
  };
  $("#other")?.addEventListener("change", (event) => other(event.target.value.trim(), false));
  $$("[data-over]").forEach((button) => { button.onclick = () => other(button.dataset.over, true); });
}

/* ── one turn, over time ── */
async function turn() {
  if (!place.turn) return;
  place.turn.classList.add("waits");
  try {
    const row = await rowsOf(address("turn", { capture: picks.a.value, point: $("#point").value, tone: shown.tone.id }), "turn");
    place.turn.classList.remove("waits");
    drawTurn(place.turn, { row, count: row.count, marked: row.marked, within: row.within, label: `Polar map of one turn, ${row.count} × ${row.part}; ${row.marked.length ? `${row.marked.join(", ")} stand out` : "none stands out"}` });
    $("#turn-said").textContent = `${row.title}. ${row.marked.length ? `Number ${row.marked.join(", ")} of ${row.count} stand${row.marked.length === 1 ? "s" : ""} out${row.within ? `, give or take ${row.within}` : ""}.` : "No place stands out."} ${row.remarks.join(" ")}`;
    numbers.turn = () => [["angle_deg", "level"], ...Array.from(row.values, (v, i) => [(row.x0 + i * row.dx), v])];
  } catch (error) { failed(place.turn, error); }
}
async function cascade() {
  if (!place.cascade || !shown.cascade.length) { if (place.cascade) place.cascade.textContent = ""; return; }
  place.cascade.classList.add("waits");
  try {
    const said = new URLSearchParams([["site", shown.site], ...shown.cascade.map((one) => ["capture", one]), ["point", $("#point").value], ["kind", "envelope"], ["axis", "order"]]);
    const found = await rowsOf(`/api/cascade?${said}`, "cascade"), [count, cells] = found.shape;
    place.cascade.classList.remove("waits");
    const lines = Array.from({ length: count }, (_, k) => ({ t: Date.parse(found.rows[k].at) / 1000, now: found.rows[k].content === picks.a.value, was: found.rows[k].content === picks.b.value, points: Array.from({ length: cells }, (_, i) => [found.x0 + i * found.dx, found.values[k * cells + i]]).filter(([, v]) => Number.isFinite(v)) }));
    drawCascade(place.cascade, { lines, from: 0, to: found.x0 + found.dx * cells, xWords: WIDE.order, label: `${found.title}, from ${dated(lines[0].t)} to ${dated(lines.at(-1).t)}`, events: [{ t: Date.parse(shown.since) / 1000, what: "case began" }] });
    $("#cascade-said").textContent = `${found.title} (${found.y_name}), each at its date. Blue: A. Dashed: B. A gap is a time without captures. ${found.remarks.join(" ")}`;
    numbers.cascade = () => [["order", ...found.rows.map((row) => row.at)], ...Array.from({ length: cells }, (_, i) => [found.x0 + i * found.dx, ...Array.from({ length: count }, (_, k) => found.values[k * cells + i])])];
  } catch (error) { failed(place.cascade, error); }
}
whenNear(place.trend, trend);
if (how) {
  const ready = points().catch((error) => failed(place.spectra, error));
  whenNear(place.spectra, () => ready.then(spectrum));
  whenNear(place.turn, () => ready.then(turn));
  whenNear(place.cascade, () => ready.then(cascade));
}
let widthWas = innerWidth, resizing;
addEventListener("resize", () => { if (innerWidth === widthWas) return; widthWas = innerWidth; clearTimeout(resizing); resizing = setTimeout(() => { trend(); spectrum(); cascade(); }, 200); });
$$("[data-save]").forEach((button) => { button.onclick = () => { const of = button.dataset.of; if (place[of] && numbers[of]) savePicture(button.dataset.save, place[of], `${shown.name}_${of}`, numbers[of]); else say("This picture is not drawn yet."); }; });

/* ── the panel ── */
const panel = $("#decide"), DRAFT = `draft ${document.body.dataset.case}`;
const FIELDS = ["as", "because", "owner", "due", "order", "by"];
const WORDS = { recheck: "Measure by", sensor: "Measure by", "out-of-service": "Ask again on" };
const form = () => $("[data-decide-form]", panel);
function arrange() {
  const f = form();
  if (!f) return;
  const as = new FormData(f).get("as"), closes = ["not-a-fault", "operating-condition"].includes(as);
  $("[data-open]", f).hidden = closes;
  $("[data-order]", f).hidden = as !== "confirmed";
  $("[data-due-words]", f).textContent = WORDS[as] || "Due";
  const day = new Date(f.elements.due.value);
  $("#due-read").textContent = Number.isNaN(+day) ? "" : `${day.toLocaleDateString("en-GB", { weekday: "short", timeZone: "UTC" })}, ${dated(day / 1000)}`;
  $("[data-note]", f).hidden = false;
}
function keepDraft() { const f = form(); if (f) sessionStorage.setItem(DRAFT, JSON.stringify(Object.fromEntries(FIELDS.filter((n) => f.elements[n]).map((n) => [n, f.elements[n].value])))); }
function restoreDraft() {
  const f = form(), kept = JSON.parse(sessionStorage.getItem(DRAFT) || "null");
  if (!f || !kept) return;
  for (const [name, value] of Object.entries(kept)) if (f.elements[name] && value !== undefined) f.elements[name].value = value;
}
async function record(event) {
  event.preventDefault();
  const f = event.target, data = new FormData(f), button = event.submitter;
  if (button?.name === "after_all") data.set("after_all", button.value);
  $$("[data-records]", f).forEach((one) => { one.disabled = true; });
  try {
    const answer = await send(f.getAttribute("action"), data);
    if (answer.status === 201) {
      const done = await answer.json();
      sessionStorage.removeItem(DRAFT);
      sayNext(done.words, { address: done.undo, record: done.record });
      const next = $("#next")?.href || $("#up").href;
      location.href = done.closed ? next : location.pathname;
      return;
    }
    if (![409, 422].includes(answer.status)) throw new Error(await answer.text());
    panel.innerHTML = await answer.text();
    arrange();
    ($(".clash [data-keep]", panel) || $(".twice input", panel) || $("[aria-invalid]", panel) || $("[name=as]", panel))?.focus();
  } catch (error) {
    say(error instanceof TypeError ? "The desk does not answer; nothing was recorded. Your words are kept." : error.message);
    $$("[data-records]", f).forEach((one) => { one.disabled = false; });
  }
}
async function writeNote(event) {
  event.preventDefault();
  try {
    const answer = await send(event.target.getAttribute("action"), new FormData(event.target)), text = await answer.text();
    if (answer.ok) { sayNext(text); location.reload(); } else say(text);
  } catch { say("The desk does not answer; nothing was recorded."); }
}
const openNote = () => { const box = $(".note", panel); if (!box) return; box.open = true; const f = form(), text = $("textarea", box); if (f && !text.value) text.value = f.elements.because.value; text.focus(); };
if (panel) {
  restoreDraft();
  arrange();
  panel.addEventListener("submit", (event) => { if (event.target.matches("[data-decide-form]")) record(event); else if (event.target.matches("[data-note-form]")) writeNote(event); });
  panel.addEventListener("input", keepDraft);
  panel.addEventListener("change", (event) => { if (event.target.closest("[data-decide-form]")) { arrange(); keepDraft(); } });
  panel.addEventListener("click", (event) => { if (event.target.closest("[data-note]")) openNote(); if (event.target.closest("[data-keep]")) { event.preventDefault(); location.reload(); } });
  panel.addEventListener("keydown", (event) => { if (event.key === "Enter" && event.ctrlKey && event.target.closest("[data-decide-form]")) { event.preventDefault(); form().requestSubmit($("[data-records].strong", form())); } });
}
const toDecide = () => { panel?.scrollIntoView({ block: "nearest" }); ($("[name=as]:checked", panel) || $("[name=as]", panel))?.focus(); };
if (location.hash === "#decide") setTimeout(toDecide, 50);
keys({
  j: () => $("#next")?.click(), k: () => $("#previous")?.click(), d: () => toDecide(), n: openNote, h: () => $("#harm")?.click(), Escape: () => $("#up").click(),
  ...Object.fromEntries($$(".jump a").map((link, i) => [String(i + 1), () => $(link.getAttribute("href")).scrollIntoView()])),
});
