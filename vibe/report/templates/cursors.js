/* Cursors over a spectrum: harmonics and sidebands that are dragged or moved by keys, and what is read there. What is
   shown, and in which unit, is settled by the viewer that is built on this (spectra.js). */
(() => {
  "use strict";

  const MOST = 12, SIDES = 4;  // harmonics and sidebands each way that a cursor shows
  /* Levels in dB are over the reference values of ISO 1683 (1 µm/s², 1 nm/s); an envelope's over its own floor. */
  const KINDS = {
    acceleration: { name: "Acceleration", unit: "m/s²", per: 20, reference: 1e-6, level: "dB re 1 µm/s²" },
    velocity: { name: "Velocity", unit: "mm/s", per: 20, reference: 1e-6, level: "dB re 1 nm/s" },
    envelope: { name: "Envelope, power over its floor", unit: "× floor", per: 10, reference: 1, level: "dB over the floor" },
  };

  const plain = (value, digits = 3) => {
    if (!Number.isFinite(value)) return "–";
    if (value === 0) return "0";
    const size = Math.abs(value);
    if (size < 1e-4 || size >= 1e6) return value.toExponential(digits - 1).replace("e-", " × 10^−").replace("e+", " × 10^");
    return Number(value.toPrecision(digits)).toString().replace("-", "−");
  };
  const fixed = (value, step) => value.toFixed(Math.min(Math.max(Math.ceil(1 - Math.log10(step)), 0), 5));
  const signed = (value) => Number.isFinite(value) ? (value <= -0.05 ? "−" : "+") + Math.abs(value).toFixed(1) : "–";
  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

  class Cursors {
    constructor(root, data, view) {
      this.root = root;
      this.data = data;
      this.view = view;
      this.cache = new Map();
      this.control = (name) => root.querySelector(`[data-control="${name}"]`);
      const model = (name) => view.model.document.get_model_by_name(name);
      [this.x, this.y, this.xAxis, this.yAxis, this.a, this.b] = ["x", "y", "x-axis", "y-axis", "a", "b"].map(model);
      this.marks = { harmonics: model("at harmonics"), sidebands: model("at sidebands") };
      this.overlay = root.querySelector(".cursors");
      this.at = { harmonic: null, carrier: null, spacing: null };  // in the unit of the axis
      this.handles = {};
      for (const name of Object.keys(this.at)) this.handles[name] = this.makeHandle(name);
    }

    // ── cursors ───────────────────────────────────────────────────────────────────────────────────────────────

    on(name) { return this.control(name === "harmonic" ? "harmonics" : "sidebands").checked; }

    toTone() {
      const place = Number(this.control("tone").value);
      const tone = place < 0 ? { order: 1, spacing: null } : this.data.tones[place];
      const unit = this.axis === "order" ? 1 : this.speed();
      if (!unit) { if (this.at.harmonic === null) this.at.harmonic = this.reach / 10; }
      else {
        this.at.harmonic = tone.order * unit;
        this.at.carrier = tone.order * unit;
        this.at.spacing = (tone.spacing ?? 1) * unit;
        if (tone.spacing) this.control("sidebands").checked = true;
        if (tone.slip) this.fitLines(tone.slip);
      }
      this.at.carrier ??= this.at.harmonic;
      this.at.spacing ??= this.at.harmonic / 4;
      this.draw();
    }

    set(name, value) {
      const least = this.cell / 10;
      this.at[name] = clamp(value, least, this.reach);
      this.control("tone").value = this.matching();
      this.draw();
    }

    /* The tone at which the harmonic cursor still stands, -2 where it stands at none. */
    matching() {
      const place = Number(this.control("tone").value);
      if (place === -2) return "-2";
      const unit = this.axis === "order" ? 1 : this.speed();
      const { order, slip } = place < 0 ? { order: 1, slip: 0 } : this.data.tones[place];
      return unit && Math.abs(this.at.harmonic / (order * unit) - 1) <= Math.max(slip, 1e-9) ? String(place) : "-2";
    }

    toPeak(name) {
      const one = this.shown[0] ?? this.shown[1];
      if (!one) return;
      const position = name === "spacing" ? this.at.carrier + this.at.spacing : this.at[name];
      const middle = Math.floor(position / one.step);
      let best = middle;
      for (let i = Math.max(middle - 5, 0); i <= middle + 5; i++) if (one.values[i] > (one.values[best] ?? 0)) best = i;
      this.set(name, (best + 0.5) * one.step - (name === "spacing" ? this.at.carrier : 0));
    }

    /* The harmonic cursor to where its first multiples meet the most of what rises over the middle of the spectrum. */
    fitLines(within) {
      const one = this.shown[0] ?? this.shown[1];
      if (!one) return;
      const start = this.at.harmonic, count = Math.min(8, Math.floor(this.reach / start));
      const floor = [...one.values].filter((value) => value > 0).sort((p, q) => p - q)[Math.floor(one.values.length / 2)] ?? 1;
      const far = Math.max(within * start, 2 * one.step), step = one.step / (2 * Math.max(count, 1));
      let best = { score: -1, place: start };
      for (let place = start - far; place <= start + far; place += step) {
        let score = 0;
        for (let n = 1; n <= count; n++) score += Math.max(Math.log10((one.values[Math.floor(n * place / one.step)] || floor) / floor), 0);
        score -= 1e-6 * Math.abs(place - start) / far;
        if (score > best.score) best = { score, place };
      }
      this.set("harmonic", best.place);
      if (Math.abs(this.at.carrier - start) <= far) this.set("carrier", best.place);
    }

    /* The highest of the cell at a place and its two neighbours. */
    read(one, place) {
      if (!one || place < 0) return NaN;
      const middle = Math.floor(place / one.step);
      let best = NaN;
      for (let i = Math.max(middle - 1, 0); i <= middle + 1; i++) {
        const value = one.values[i];
        if (value !== undefined && !(best >= value)) best = value;
      }
      return best;
    }

    pixel(value) {
      return (value - this.x.start) / (this.x.end - this.x.start) * this.width;
    }

    makeHandle(name) {
      const handle = document.createElement("div");
      const titles = {
        harmonic: "Harmonic cursor, fundamental", carrier: "Sideband cursor, carrier",
        spacing: "Sideband cursor, spacing",
      };
      handle.className = `handle ${name}`;
      handle.tabIndex = 0;
      handle.setAttribute("role", "slider");
      handle.setAttribute("aria-label", titles[name]);
      handle.dataset.handle = name;
      handle.title = `${titles[name]}: drag, or use the arrow keys`;
      this.draggable(handle, (place) => this.set(name, name === "spacing" ? place - this.at.carrier : place));
      handle.addEventListener("keydown", (event) => this.key(event, name));
      this.overlay.append(handle);
      return handle;
    }

    draggable(element, move) {
      element.addEventListener("pointerdown", (event) => {
        if (event.button !== 0) return;
        event.preventDefault();
        event.stopPropagation();
        element.focus?.();
        const left = this.overlay.getBoundingClientRect().left;
        const drag = (e) => move(this.x.start + (e.clientX - left) / this.width * (this.x.end - this.x.start));
        const stop = () => {
          window.removeEventListener("pointermove", drag);
          for (const end of ["pointerup", "pointercancel"]) window.removeEventListener(end, stop);
        };
        // On the window: what is dragged may be drawn anew meanwhile.
        window.addEventListener("pointermove", drag);
        for (const end of ["pointerup", "pointercancel"]) window.addEventListener(end, stop);
      });
    }

    key(event, name) {
      const way = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[event.key];
      if (way) {
        const cells = event.shiftKey ? 10 : event.ctrlKey ? 0.1 : 1;
        this.set(name, this.at[name] + way * cells * this.cell);
      } else if (event.key === "PageUp" || event.key === "PageDown") {
        this.set(name, this.at[name] + (event.key === "PageUp" ? 100 : -100) * this.cell);
      } else if (event.key === "Home") this.set(name, this.x.start);
      else if (event.key === "End") this.set(name, this.x.end);
      else if (event.key === "Enter" || event.key === " ") this.toPeak(name);
      else return;
      event.preventDefault();
    }

    // ── drawing ───────────────────────────────────────────────────────────────────────────────────────────────

    draw() {
      if (this.waiting) return;
      this.waiting = requestAnimationFrame(() => { this.waiting = 0; this.paint(); });
    }

    paint() {
      const box = this.view.frame.bbox;
      const canvas = this.view.canvas_view.el.getBoundingClientRect();
      const home = this.overlay.parentElement.getBoundingClientRect();
      this.width = box.width;
      Object.assign(this.overlay.style, {
        left: `${canvas.left - home.left + box.left}px`, top: `${canvas.top - home.top + box.top}px`,
        width: `${box.width}px`, height: `${box.height}px`,
      });
      const lines = [];
      this.overlay.querySelectorAll(".rule, .multiple").forEach((old) => old.remove());
      if (this.on("harmonic")) this.rules(this.harmonics(), "harmonic", lines);
      if (this.on("carrier")) this.rules(this.sidebands(), "sideband", lines);
      this.overlay.prepend(...lines);
      this.put("harmonic", this.at.harmonic, this.on("harmonic"));
      this.put("carrier", this.at.carrier, this.on("carrier"));
      this.put("spacing", this.at.carrier + this.at.spacing, this.on("carrier"));
      this.tables();
    }

    harmonics() {
      const count = Math.min(MOST, Math.floor(this.reach / this.at.harmonic));
      return Array.from({ length: Math.max(count, 1) }, (_, n) => ({ n: n + 1, name: `${n + 1}×`, at: (n + 1) * this.at.harmonic, main: !n }));
    }

    sidebands() {
      const rows = [];
      for (let n = -SIDES; n <= SIDES; n++) {
        const at = this.at.carrier + n * this.at.spacing;
        if (at > 0 && at <= this.reach) rows.push({ n, name: n ? `${n < 0 ? "−" : "+"}${Math.abs(n)}` : "carrier", at, main: !n });
      }
      return rows;
    }

    rules(rows, kind, lines) {
      let free = -Infinity;
      for (const row of rows) {
        const x = this.pixel(row.at);
        if (x < 0 || x > this.width) continue;
        const rule = document.createElement("i");
        rule.className = `rule ${kind}${row.main ? " main" : ""}`;
        rule.style.left = `${x}px`;
        lines.push(rule);
        if (row.main || (kind === "sideband" && row.n === 1) || x < free) { free = Math.max(free, x + 24); continue; }
        const label = document.createElement("span");
        label.className = `multiple ${kind}`;
        label.textContent = row.name;
        label.style.left = `${x}px`;
        label.setAttribute("aria-hidden", "true");
        this.draggable(label, kind === "harmonic" ? (place) => this.set("harmonic", place / row.n)
          : (place) => this.set("spacing", (place - this.at.carrier) / row.n));
        lines.push(label);
        free = x + 24;
      }
    }

    put(name, value, on) {
      const handle = this.handles[name];
      handle.hidden = !on;
      if (!on) return;
      const x = this.pixel(value);
      handle.style.left = `${clamp(x, 0, this.width)}px`;
      handle.classList.toggle("outside", x < 0 || x > this.width);
      const own = this.at[name], [a, b] = this.shown.map((one) => this.read(one, value));
      const unit = KINDS[this.chosen("kind")].unit, axis = this.axis === "Hz" ? "Hz" : "orders";
      handle.setAttribute("aria-valuemin", "0");
      handle.setAttribute("aria-valuemax", fixed(this.reach, this.cell));
      handle.setAttribute("aria-valuenow", fixed(own, this.cell / 10));
      handle.setAttribute("aria-valuetext", `${fixed(own, this.cell / 10)} ${axis}, A ${plain(a)} ${unit}${Number.isFinite(b) ? `, B ${plain(b)} ${unit}` : ""}`);
    }

    tables() {
      const kind = KINDS[this.chosen("kind")];
      const level = this.chosen("scale") === "dB";
      const said = (value) => level && value > 0 ? (kind.per * Math.log10(value / kind.reference)).toFixed(1).replace("-", "−") : plain(value);
      const over = (one, other) => kind.per * Math.log10(one / other);
      const height = (value) => level ? kind.per * Math.log10(Math.max(value, 1e-8) / kind.reference) : value;
      const put = (name, rows, last) => {
        const table = this.root.querySelector(`table[data-readout="${name}"]`);
        const block = table.closest(".readout-part");
        block.hidden = !rows.length;
        const seen = rows.map((row) => [row.at, height(this.read(this.shown[0], row.at))]).filter(([, y]) => Number.isFinite(y));
        this.marks[name].data = { x: seen.map(([x]) => x), y: seen.map(([, y]) => y) };
        table.querySelector(".value-unit").textContent = level ? kind.level : kind.unit;
        table.tBodies[0].replaceChildren(...rows.map((row) => {
          const [a, b] = this.shown.map((one) => this.read(one, row.at));
          const cells = [row.name, fixed(row.at, this.cell / 10), said(a), said(b), signed(last(a, b))];
          const line = document.createElement("tr");
          if (row.main) line.className = "main";
          line.append(...cells.map((text, n) => {
            const cell = document.createElement(n ? "td" : "th");
            if (!n) cell.scope = "row";
            cell.textContent = text;
            return cell;
          }));
          return line;
        }));
      };
      put("harmonics", this.on("harmonic") ? this.harmonics() : [], (a, b) => over(a, b));
      const carrier = this.read(this.shown[0], this.at.carrier);
      put("sidebands", this.on("carrier") ? this.sidebands() : [], (a) => over(a, carrier));
      for (const name of ["harmonic", "carrier", "spacing"]) {
        const field = this.control(name);
        if (document.activeElement !== field) field.value = fixed(this.at[name], this.cell / 10);
        field.step = String(Number((this.cell).toPrecision(3)));
      }
    }
  }

  window.vibe = { Cursors, KINDS, MOST, clamp, fixed, plain };
})();
