/* Pictures as SVG: they print, scale, and are saved as they stand. Shape and dash say what colour says. */
"use strict";
const BLUE = "#0072b2", AMBER = "#a86b00", WARM = "#d55e00", GREEN = "#00795a", GREY = "#5c5c5c", INK = "#161616", BROWN = "#a34700";
const DAY_S = 86400, MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const dated = (s) => { const d = new Date(s * 1000); return `${d.getUTCDate()} ${MONTHS[d.getUTCMonth()]} ${d.getUTCFullYear()}`; };
const minus = (v) => String(v).replace("-", "−");
const signedText = (v, digits = 1) => (v < 0 ? "−" : "+") + Math.abs(v).toFixed(digits);
const digitsOf = (v) => { const a = Math.abs(v); return a === 0 ? 0 : Math.max(0, 2 - Math.floor(Math.log10(a))); };
const valueText = (v) => v === null || !Number.isFinite(v) ? "–" : minus(v.toFixed(Math.min(digitsOf(v), 6)));

/* Round places of an axis: steps of 1, 2 or 5. */
function ticks(lo, hi, about) {
  const raw = (hi - lo) / Math.max(about, 1), power = 10 ** Math.floor(Math.log10(raw)), step = [1, 2, 5, 10].find((m) => m * power >= raw) * power, found = [];
  for (let v = Math.ceil(lo / step) * step; v <= hi + step * 1e-9; v += step) found.push(+v.toPrecision(12));
  return found;
}
/* First days of months, every 1, 2, 3, 6 or 12 of them. */
function months(lo, hi, most) {
  const step = [1, 2, 3, 6, 12, 24, 60].find((m) => (hi - lo) / DAY_S / 30.4 / m <= most) || 120, begin = new Date(lo * 1000), found = [];
  for (let y = begin.getUTCFullYear(), m = begin.getUTCMonth() + 1; ; m += 1) {
    const t = Date.UTC(y, m, 1) / 1000;
    if (t > hi) return found;
    if ((y * 12 + m) % step === 0) found.push(t);
  }
}
const monthText = (s) => { const d = new Date(s * 1000); return MONTHS[d.getUTCMonth()] + (d.getUTCMonth() === 0 ? ` ${d.getUTCFullYear()}` : ""); };
const line = (points, colour, width = 1.3, dash = "") => points.length ? `<polyline points="${points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" ")}" fill="none" stroke="${colour}" stroke-width="${width}"${dash ? ` stroke-dasharray="${dash}"` : ""} stroke-linejoin="round"/>` : "";
const words = (x, y, text, o = {}) => `<text x="${x.toFixed(1)}" y="${y.toFixed(1)}" font-size="${o.size || 12}" fill="${o.colour || INK}" text-anchor="${o.anchor || "start"}"${o.bold ? ' font-weight="700"' : ""}${o.halo ? ' paint-order="stroke" stroke="#fff" stroke-width="4" stroke-linejoin="round"' : ""}${o.turned ? ` transform="rotate(-90 ${x.toFixed(1)} ${y.toFixed(1)})"` : ""}>${escaped(text)}</text>`;
const picture = (w, h, label, inside) => `<svg viewBox="0 0 ${w} ${h}" width="${w}" height="${h}" role="img" aria-label="${escaped(label)}" xmlns="http://www.w3.org/2000/svg" font-family="Arial, sans-serif">${inside}</svg>`;
const placeWidth = (place) => Math.max(300, place.clientWidth);

/* Axes of width w, the width of the place, so that letters keep their size. */
function axes(w, h, x, y, xWords, yWords, o = {}) {
  const left = o.left ?? 60, right = o.right ?? 14, top = o.top ?? 20, bottom = 40;
  const X = (v) => left + (v - x[0]) / (x[1] - x[0]) * (w - left - right), Y = (v) => h - bottom - (v - y[0]) / (y[1] - y[0]) * (h - bottom - top);
  const across = o.time ? months(x[0], x[1], (w - 70) / 66) : ticks(x[0], x[1], w / 90), up = ticks(y[0], y[1], (h - bottom - top) / 38);
  let inside = up.map((v) => `<path d="M${left} ${Y(v).toFixed(1)}H${w - right}" stroke="#e4e4e4"/>${words(left - 7, Y(v) + 4, minus(v), { anchor: "end" })}`).join("");
  inside += across.map((v) => `<path d="M${X(v).toFixed(1)} ${h - bottom}v5" stroke="${GREY}"/>${words(X(v), h - bottom + 18, o.time ? monthText(v) : minus(v), { anchor: "middle" })}`).join("");
  inside += `<path d="M${left} ${top}V${h - bottom}H${w - right}" fill="none" stroke="${GREY}"/>${words((left + w - right) / 2, h - 4, xWords, { anchor: "middle" })}${words(14, (top + h - bottom) / 2, yWords, { anchor: "middle", turned: true })}`;
  return { left, right, top, bottom, X, Y, inside };
}
/* Names above a picture, in as many rows as they need, never over one another. */
function namesAbove(names, w, rows = 2) {
  const ends = Array(rows).fill(-1e9);
  return names.map(({ x, text, bold }) => {
    const wide = text.length * 6.2, anchor = x + wide / 2 > w - 4 ? "end" : x - wide / 2 < 64 ? "start" : "middle";
    const from = anchor === "end" ? x - wide : anchor === "start" ? x : x - wide / 2, row = ends.findIndex((end) => end + 8 < from);
    if (row < 0) return "";
    ends[row] = from + wide;
    return words(x, 12 + row * 14, text, { anchor, size: 11.5, bold });
  }).join("");
}

/* A series over the years: limits, events, captures that were not accepted as squares, a cursor to read it. */
function drawTrend(place, o) {
  const w = placeWidth(place), h = o.height || 250, now = Date.now() / 1000, known = o.points.filter((p) => p.v !== null);
  if (!known.length) { place.innerHTML = "<p class='soft'>No value is kept of this series.</p>"; return; }
  const times = known.map((p) => p.t), span = Math.max(times.at(-1) - times[0], 20 * DAY_S), x = [times[0] - span * 0.02, times.at(-1) + span * 0.03];
  const most = Math.max(...known.map((p) => p.v)), least = Math.min(0, ...known.map((p) => p.v));
  const shown = o.limits.filter((l) => l.value <= most * 3 && l.value > 0), far = o.limits.filter((l) => l.value > most * 3);
  const hi = Math.max(most, ...shown.map((l) => l.value)) * 1.1 || 1, axis = axes(w, h, x, [least, hi], "", o.unit ? `${o.short} (${o.unit})` : o.short, { time: true, top: 36 });
  let inside = axis.inside, late = "";
  const named = [];
  for (const l of shown) {
    const y = axis.Y(l.value);
    inside += `<path d="M${axis.left} ${y.toFixed(1)}H${w - axis.right}" stroke="${l.kind === "trip" ? "#8a2be2" : WARM}" stroke-width="1.6" stroke-dasharray="${l.kind === "trip" ? "2 3" : "7 4"}"/>`;
    /* Lines of one source that lie close share their words, from the lower one up; of others each finds room of its own. */
    const close = named.filter((one) => Math.abs(one.y - y) < 16), same = close.find((one) => one.source === l.source);
    if (same) { if (!same.kinds.includes(l.kind)) same.kinds.push(l.kind); same.y = Math.min(same.y, y); } else named.push({ y, source: l.source, kinds: [l.kind] });
  }
  named.sort((one, other) => one.y - other.y);
  for (const [i, one] of named.entries()) {
    one.text = `${one.kinds.join(" and ")} limit, ${one.source}`;
    one.x = named.slice(0, i).filter((other) => Math.abs(other.y - one.y) < 16).reduce((x0, other) => Math.max(x0, other.x + other.text.length * 6.2 + 16), axis.left + 6);
    if (one.x + one.text.length * 6.2 < w - axis.right || one.x === axis.left + 6) late += words(one.x, one.y - 5, one.text, { size: 11.5, halo: true });
  }
  if (o.usual) inside += `<path d="M${axis.left} ${axis.Y(o.usual).toFixed(1)}H${w - axis.right}" stroke="${GREY}" stroke-dasharray="1 3"/>`;
  inside += line(known.filter((p) => p.good).map((p) => [axis.X(p.t), axis.Y(p.v)]), BLUE, 1.4);
  for (const p of known) inside += p.good ? `<circle cx="${axis.X(p.t).toFixed(1)}" cy="${axis.Y(p.v).toFixed(1)}" r="2.8" fill="${BLUE}"/>` : `<rect x="${(axis.X(p.t) - 3.5).toFixed(1)}" y="${(axis.Y(p.v) - 3.5).toFixed(1)}" width="7" height="7" fill="#fff" stroke="${GREY}" stroke-width="1.4"/>`;
  for (const t of o.rejected || []) if (t >= x[0] && t <= x[1]) inside += `<rect x="${(axis.X(t) - 3.5).toFixed(1)}" y="${h - axis.bottom - 9}" width="7" height="7" fill="#fff" stroke="${INK}" stroke-width="1.4"/>`;
  const events = o.events.filter((e) => e.t >= x[0] && e.t <= x[1]).sort((a, b) => a.t - b.t);
  for (const e of events) inside += `<path d="M${axis.X(e.t).toFixed(1)} ${axis.top - 6}V${h - axis.bottom}" stroke="${INK}" stroke-dasharray="1 3"/>`;
  inside += namesAbove(events.map((e) => ({ x: axis.X(e.t), text: e.what.length > 34 ? `${e.what.slice(0, 33)}…` : e.what })), w);
  place.innerHTML = picture(w, h, o.label, `${inside}${late}<g class="at"></g>`);
  const el = $("svg", place);
  let at = known.length - 1;
  const show = () => {
    const p = known[at];
    $(".at", el).innerHTML = `<path d="M${axis.X(p.t).toFixed(1)} ${axis.top}V${h - axis.bottom}" stroke="${WARM}"/><circle cx="${axis.X(p.t).toFixed(1)}" cy="${axis.Y(p.v).toFixed(1)}" r="5" fill="none" stroke="${WARM}" stroke-width="2"/>`;
    const facts = [`${valueText(p.v)} ${o.unit}`, p.speed ? `${(p.speed * 60).toFixed(0)} r/min` : "", p.load !== null && p.load !== undefined ? `${p.load.toFixed(0)} % load` : "", p.good ? "" : "not accepted for baselines"].filter(Boolean).join(", ");
    o.read.replaceChildren(node("b", dated(p.t)), `: ${facts}`, ...(far.length ? [node("span", `  ${far[0].kind} limit far above, at ${valueText(far[0].value)} ${o.unit}.`, { className: "soft" })] : []));
  };
  el.setAttribute("tabindex", "0");
  el.onkeydown = (event) => {
    const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!by) return;
    event.preventDefault(); event.stopPropagation();
    at = Math.max(0, Math.min(known.length - 1, at + by * (event.shiftKey ? 10 : 1)));
    show();
  };
  el.onpointermove = (event) => {
    const box = el.getBoundingClientRect(), px = (event.clientX - box.left) * w / box.width;
    at = known.reduce((best, p, i) => Math.abs(axis.X(p.t) - px) < Math.abs(axis.X(known[best].t) - px) ? i : best, 0);
    show();
  };
  show();
}

/* Rows of equal cells (x0, dx, values) as points of a line within from..to. */
function cellsOf(row, from, to, through) {
  const first = Math.max(0, Math.floor((from - row.x0) / row.dx)), last = Math.min(row.values.length - 1, Math.ceil((to - row.x0) / row.dx)), points = [];
  for (let i = first; i <= last; i += 1) { const v = row.values[i]; if (Number.isFinite(v)) points.push([row.x0 + i * row.dx, through(v)]); }
  return points;
}
/* Spectra or waveforms laid over one another, with harmonics and sidebands of a cursor; the caller redraws on `changed`. */
function drawSpectrum(place, o) {
  const w = placeWidth(place), h = o.height || 310, dB = o.dB;
  const top = Math.max(1e-30, ...o.traces.map((t) => t.row.values.reduce((m, v) => v > m ? v : m, 0)));
  const through = dB ? (v) => 20 * Math.log10(Math.max(v, 1e-30)) : (v) => v;
  const seen = o.traces.map((t) => ({ ...t, lines: t.wave ? null : cellsOf(t.row, o.from, o.to, through), pairs: t.wave ? wavePoints(t.row, o.from, o.to) : null }));
  const all = seen.flatMap((t) => t.wave ? t.pairs.flatMap((p) => [p[1], p[2]]) : t.lines.map((p) => p[1]));
  let hi = all.reduce((m, v) => v > m ? v : m, -1e30), lo = o.wave ? all.reduce((m, v) => v < m ? v : m, 1e30) : dB ? hi - 60 : 0;
  if (!all.length || hi <= lo) { hi = dB ? 0 : 1; lo = dB ? -60 : o.wave ? -1 : 0; }
  hi += (hi - lo) * 0.06;
  const axis = axes(w, h, [o.from, o.to], [lo, hi], o.xWords, dB ? `${o.yWords}, dB` : o.yWords, { top: 36 });
  let inside = axis.inside;
  if (o.band) {
    const a = axis.X(Math.max(o.from, o.band[0])), b = axis.X(Math.min(o.to, o.band[1]));
    if (b > a) inside += `<rect x="${a.toFixed(1)}" y="${axis.top}" width="${(b - a).toFixed(1)}" height="${h - axis.bottom - axis.top}" fill="#f6d9c6" fill-opacity=".55" stroke="${WARM}" stroke-dasharray="4 3"/>${b - a > 130 ? words((a + b) / 2, axis.top + 14, "band of the envelope", { anchor: "middle", size: 11.5, halo: true }) : ""}`;
  }
  for (const t of [...seen].reverse()) {
    if (t.wave) inside += line(t.pairs.flatMap(([x, a, b], i) => (i % 2 ? [a, b] : [b, a]).map((v) => [axis.X(x), axis.Y(v)])), t.colour, t.width);
    else inside += line(t.lines.map(([x, v]) => [axis.X(x), axis.Y(Math.max(v, lo))]), t.colour, t.width, t.dash);
  }
  const rows = [];
  if (o.cursor > 0 && !o.wave) {
    let named = -1e9;
    const near = (t, f) => { const row = t.row, i = Math.round((f - row.x0) / row.dx), reach = Math.max(1, Math.round(f * o.slip / row.dx)); let most = null; for (let k = i - reach; k <= i + reach; k += 1) { const v = row.values[k]; if (Number.isFinite(v) && (most === null || v > most)) most = v; } return most; };
    for (let n = 1; n <= 12 && n * o.cursor <= o.to; n += 1) {
      const f = n * o.cursor;
      if (f < o.from) continue;
      const found = o.traces.map((t) => near(t, f)), x = axis.X(f);
      rows.push([n, f, ...found]);
      inside += `<path d="M${x.toFixed(1)} ${axis.top - 4}V${h - axis.bottom}" stroke="${BROWN}" stroke-dasharray="4 3" stroke-opacity=".6"/>`;
      if (x - named > 24) { inside += words(x, axis.top - 8, `${n}×`, { anchor: "middle", colour: BROWN, bold: n === 1 }); named = x; }
      if (found[0] !== null) inside += `<circle cx="${x.toFixed(1)}" cy="${axis.Y(Math.max(through(found[0]), lo)).toFixed(1)}" r="4" fill="none" stroke="${BROWN}" stroke-width="1.6"/>`;
      if (o.spacing > 0) for (const side of [-1, 1]) { const s = f + side * o.spacing; if (s > o.from && s < o.to) inside += `<path d="M${axis.X(s).toFixed(1)} ${axis.top + 8}V${h - axis.bottom}" stroke="#005c43" stroke-dasharray="1 3"/>`; }
    }
  }
  place.innerHTML = picture(w, h, o.label, `${inside}<rect class="drag" fill="${BLUE}" fill-opacity=".15" y="${axis.top}" height="${h - axis.bottom - axis.top}" x="0" width="0"/><rect class="hit" x="${axis.left}" y="0" width="${w - axis.left - axis.right}" height="${h - axis.bottom}" fill="transparent"/>`);
  const el = $("svg", place), drag = $(".drag", el);
  el.setAttribute("tabindex", "0");
  let began = null;
  const valueAt = (event) => { const box = el.getBoundingClientRect(); return Math.max(o.from, Math.min(o.to, o.from + ((event.clientX - box.left) * w / box.width - axis.left) / (w - axis.left - axis.right) * (o.to - o.from))); };
  el.onpointerdown = (event) => { began = valueAt(event); el.setPointerCapture(event.pointerId); };
  el.onpointermove = (event) => { if (began === null) return; const [a, b] = [began, valueAt(event)].sort((p, q) => p - q); drag.setAttribute("x", axis.X(a)); drag.setAttribute("width", axis.X(b) - axis.X(a)); };
  el.onpointerup = (event) => { if (began === null) return; const to = valueAt(event), [a, b] = [began, to].sort((p, q) => p - q); began = null; if (axis.X(b) - axis.X(a) > 8) o.dragged(a, b, event.shiftKey); else o.placed(to); };
  el.onpointercancel = () => { began = null; };
  el.onkeydown = (event) => { const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key]; if (!by) return; event.preventDefault(); event.stopPropagation(); o.nudged(by * (event.shiftKey ? 10 : 1)); };
  return { rows, top };
}
function wavePoints(row, from, to) {
  const count = row.shape[1], points = [];
  for (let i = 0; i < count; i += 1) { const x = row.x0 + i * row.dx; if (x >= from && x <= to) points.push([x, row.values[i], row.values[count + i]]); }
  return points;
}

/* One turn of a body: part 1 at the top, clockwise. */
function drawTurn(place, o) {
  const w = 330, h = 300, cx = 165, cy = 146, R = 108, level = [...o.row.values].map((v) => Number.isFinite(v) ? v : 0), hi = Math.max(1, ...level), lo = Math.min(-0.3, ...level);
  const at = (deg, r) => [cx + r * Math.sin(deg * Math.PI / 180), cy - r * Math.cos(deg * Math.PI / 180)], radius = (v) => 12 + (R - 12) * (v - lo) / (hi - lo), pitch = 360 / o.count;
  let inside = "";
  const every = [1, 2, 5, 10, 20, 50].find((step) => o.count / step <= 24) || 100;
  for (let i = 0; i < o.count; i += 1) if (o.count <= 60 || i % every === 0) { const [x, y] = at(i * pitch, R); inside += `<path d="M${cx} ${cy}L${x.toFixed(1)} ${y.toFixed(1)}" stroke="#ddd" stroke-width=".7"/>`; }
  const wide = 0.5 + (o.within || 0);
  for (const part of o.marked) { const m = part - 1, a = at((m - wide) * pitch, R), b = at((m + wide) * pitch, R); inside += `<path d="M${cx} ${cy}L${a.map((v) => v.toFixed(1))}A${R} ${R} 0 ${2 * wide * pitch > 180 ? 1 : 0} 1 ${b.map((v) => v.toFixed(1))}Z" fill="#f6d9c6" stroke="${WARM}" stroke-dasharray="3 2"/>`; }
  const points = level.map((v, i) => at(o.row.x0 + i * o.row.dx, radius(v)));
  inside += `<polygon points="${points.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ")}" fill="${BLUE}" fill-opacity=".25" stroke="${BLUE}" stroke-width="1.3"/><circle cx="${cx}" cy="${cy}" r="${radius(0).toFixed(1)}" fill="none" stroke="${INK}" stroke-dasharray="4 2"/><circle cx="${cx}" cy="${cy}" r="${R}" fill="none" stroke="${GREY}"/>`;
  for (let i = 0; i < o.count; i += 1) { const bold = o.marked.includes(i + 1); if (!bold && (i % every || o.marked.some((m) => Math.abs(m - 1 - i) < o.count / 40))) continue; const [x, y] = at(i * pitch, R + 15); inside += words(x, y + 4, String(i + 1), { anchor: "middle", bold, size: bold ? 14 : 11.5, colour: bold ? BROWN : INK, halo: bold }); }
  inside += `<path d="M14 ${h - 10}h22" stroke="${BLUE}" stroke-width="1.6"/>${words(41, h - 6, "level round the turn", { size: 11.5 })}<path d="M176 ${h - 10}h22" stroke="${INK}" stroke-dasharray="4 2"/>${words(203, h - 6, "median of the turn", { size: 11.5 })}`;
  place.innerHTML = picture(w, h, o.label, inside);
}

/* Spectra over time: each stands at its true date, so a pause in measuring is a gap. */
function drawCascade(place, o) {
  const w = placeWidth(place), h = 340, times = o.lines.map((l) => l.t), span = Math.max(times.at(-1) - times[0], 10 * DAY_S), y = [times[0] - span * 0.03, times.at(-1) + span * 0.03];
  const left = 92, top = 60, bottom = 40, right = 12, X = (v) => left + (v - o.from) / (o.to - o.from) * (w - left - right), Y = (t) => h - bottom - (t - y[0]) / (y[1] - y[0]) * (h - bottom - top);
  const most = Math.max(1e-30, ...o.lines.flatMap((l) => l.points.map((p) => p[1]))), gain = 54 / most;
  let inside = ticks(o.from, o.to, w / 90).map((m) => `<path d="M${X(m).toFixed(1)} ${top - 40}V${h - bottom + 5}" stroke="#e4e4e4"/>${words(X(m), h - bottom + 18, minus(m), { anchor: "middle" })}`).join("");
  for (const l of [...o.lines].sort((a, b) => b.t - a.t)) {
    const base = Y(l.t), points = l.points.map(([x, v]) => [X(x), base - v * gain]);
    if (points.length) inside += `<polygon points="${points[0][0].toFixed(1)},${base.toFixed(1)} ${points.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ")} ${points.at(-1)[0].toFixed(1)},${base.toFixed(1)}" fill="#fff" fill-opacity=".86"/>${line(points, l.now ? BLUE : l.was ? AMBER : "#3d3d3d", l.now || l.was ? 1.7 : 0.9, l.was ? "5 3" : "")}`;
  }
  const placed = [];
  for (const l of [...o.lines].sort((a, b) => Number(b.now) - Number(a.now) || Number(b.was) - Number(a.was) || b.t - a.t)) {
    if (placed.some((one) => Math.abs(one - Y(l.t)) < 15)) continue;
    placed.push(Y(l.t));
    inside += words(left - 8, Y(l.t) + 4, dated(l.t), { anchor: "end", size: 11.5, bold: l.now });
  }
  for (const e of o.events) if (e.t > y[0] && e.t < y[1]) inside += `<path d="M${left - 4} ${Y(e.t).toFixed(1)}H${w - right}" stroke="${INK}" stroke-dasharray="1 3"/>${words(w - right, Y(e.t) - 4, e.what.length > 40 ? `${e.what.slice(0, 39)}…` : e.what, { anchor: "end", size: 11.5, halo: true })}`;
  place.innerHTML = picture(w, h, o.label, `${inside}${words((left + w) / 2, h - 4, o.xWords, { anchor: "middle" })}`);
}

/* A drive's life on one axis of time: speed, captures, cases, what was done. */
function drawLife(place, o) {
  const w = placeWidth(place), left = w < 600 ? 84 : 128, right = 14, times = [...o.captures.map((c) => c.t), ...o.events.map((e) => e.t)];
  if (!times.length) { place.innerHTML = ""; return; }
  const first = Math.min(...times), last = Math.max(...times, ...o.cases.map((c) => c.from)), pad = Math.max((last - first) * 0.02, 3 * DAY_S), x = [first - pad, last + pad], X = (t) => left + (t - x[0]) / (x[1] - x[0]) * (w - left - right);
  let y = 8, inside = '<defs><pattern id="life-open" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect width="6" height="6" fill="#fff"/><rect width="3.4" height="6" fill="#d55e00"/></pattern></defs>';
  const lane = (name, high, draw) => { inside += `${words(left - 10, y + high / 2 + 4, name, { anchor: "end" })}<path d="M${left} ${y + high}H${w - right}" stroke="#e4e4e4"/>`; draw(high); y += high + 6; };
  const speeds = o.captures.filter((c) => c.speed);
  if (speeds.length > 1) lane("Speed", 34, (high) => { const values = speeds.map((c) => c.speed * 60), lo = Math.min(...values), hi = Math.max(...values), room = Math.max(hi - lo, hi * 0.02, 1e-9), mid = (hi + lo) / 2; inside += line(speeds.map((c) => [X(c.t), y + high / 2 - (c.speed * 60 - mid) / room * (high - 14)]), GREY, 1.2) + words(w - right - 2, y + 10, `${values.at(-1).toFixed(0)} r/min`, { anchor: "end", size: 11, halo: true }); });
  lane("Captures", 24, (high) => { for (const c of o.captures) inside += c.good ? `<path d="M${X(c.t).toFixed(1)} ${y + 4}v${high - 8}" stroke="${BLUE}" stroke-width="2"/>` : `<rect x="${(X(c.t) - 3.5).toFixed(1)}" y="${y + high / 2 - 3.5}" width="7" height="7" fill="#fff" stroke="${INK}" stroke-width="1.4"/>`; });
  for (const c of o.cases) lane(c.lane, 24, (high) => { const a = X(c.from), b = Math.max(X(c.to ?? x[1]), a + 4), wide = c.what.length * 6.1, fits = wide < b - a - 8; inside += `<rect x="${a.toFixed(1)}" y="${y + 4}" width="${(b - a).toFixed(1)}" height="${high - 8}" fill="${c.open ? "url(#life-open)" : "#fff"}" stroke="${INK}"/>`; if (fits) inside += `<rect x="${(a + 3).toFixed(1)}" y="${y + 5}" width="${(wide + 4).toFixed(1)}" height="${high - 10}" fill="#fff"/>${words(a + 6, y + high / 2 + 4, c.what, { size: 11.5 })}`; else if (a - left > wide) inside += words(a - 6, y + high / 2 + 4, c.what, { size: 11.5, anchor: "end" }); });
  if (o.events.length) lane("Done", 24, (high) => { o.events.forEach((e, i) => { const a = X(e.t); inside += `<path d="M${a.toFixed(1)} 4V${y + high}" stroke="${INK}" stroke-dasharray="1 3"/><path d="M${a.toFixed(1)} ${y + high - 8}l5 8h-10z" fill="${INK}"/>${words(a + 7, y + 14, String(i + 1), { size: 11.5, halo: true })}`; }); });
  for (const m of months(x[0], x[1], (w - left) / 66)) inside += `<path d="M${X(m).toFixed(1)} ${y}v5" stroke="${GREY}"/>${words(X(m), y + 18, monthText(m), { anchor: "middle" })}`;
  place.innerHTML = picture(w, y + 24, o.label, `${inside}<path d="M${left} ${y}H${w - right}" stroke="${GREY}"/>`);
}

/* Saving: the picture as it stands, or its numbers. */
function give(name, blob) {
  const link = node("a", "", { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 4000);
}
const csvCell = (value) => { const text = String(value ?? ""); return /^[=+\-@]/.test(text) && !/^[+-]?[\d.]+(e[+-]?\d+)?$/i.test(text) ? `'${text}` : /[",\r\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text; };
function savePicture(kind, place, name, rows) {
  if (kind === "csv") { give(`${name}.csv`, new Blob([`${rows().map((r) => r.map(csvCell).join(",")).join("\r\n")}\r\n`], { type: "text/csv" })); return; }
  const el = $("svg", place);
  if (!el) { say("There is no picture to save."); return; }
  const source = new XMLSerializer().serializeToString(el), blob = new Blob([source], { type: "image/svg+xml" });
  if (kind === "svg") { give(`${name}.svg`, blob); return; }
  const image = new Image(), address = URL.createObjectURL(blob);
  image.onload = () => {
    const canvas = document.createElement("canvas");
    canvas.width = el.viewBox.baseVal.width * 2;
    canvas.height = el.viewBox.baseVal.height * 2;
    const pen = canvas.getContext("2d");
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(image, 0, 0, canvas.width, canvas.height);
    canvas.toBlob((made) => give(`${name}.png`, made));
    URL.revokeObjectURL(address);
  };
  image.src = address;
}

/* Rows of numbers as the desk sends them: float32, with their axes in a header. A copy of pages brings them along. */
const inlined = new Map($$("[data-rows]").map((one) => [one.dataset.rows, one]));
async function rowsOf(address, key = "") {
  const kept = inlined.get(key);
  if (kept) {
    const bytes = Uint8Array.from(atob(kept.content.textContent.trim()), (c) => c.charCodeAt(0));
    return { ...JSON.parse(kept.dataset.said), values: new Float32Array(bytes.buffer) };
  }
  if (!LIVE) throw new Error("This copy of pages does not carry it.");
  const answer = await fetch(address, { credentials: "same-origin" });
  if (!answer.ok) throw new Error(await answer.text());
  return { ...JSON.parse(answer.headers.get("x-rows")), values: new Float32Array(await answer.arrayBuffer()) };
}
async function jsonOf(address, key = "") {
  const kept = inlined.get(key);
  if (kept) return JSON.parse(kept.content.textContent);
  if (!LIVE) throw new Error("This copy of pages does not carry it.");
  const answer = await ask(address);
  if (!answer.ok) throw new Error(await answer.text());
  return answer.json();
}
/* Call once a place is near the screen. */
function whenNear(place, act) {
  if (!place) return;
  const watch = new IntersectionObserver((seen) => { if (seen.some((one) => one.isIntersecting)) { watch.disconnect(); act(); } }, { rootMargin: "600px" });
  watch.observe(place);
}
function failed(place, error) { place.classList.remove("waits"); place.replaceChildren(node("p", error.message || "The desk does not answer.", { className: "soft" })); }
