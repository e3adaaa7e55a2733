/* The viewer of spectra: two captures on one axis, Hz or orders, linear or dB. Axes and zooming are bokeh's; the cursors
   (cursors.js) lie over its picture. */
(() => {
  "use strict";
  if (typeof Bokeh === "undefined") return;

  const LOW = -8, DECADES = 14, STEPS = 65534;  // as they were packed
  const { Cursors, KINDS, MOST, clamp, fixed, plain } = window.vibe;

  const decode = (text) => {
    const raw = atob(text);
    const out = new Float64Array(raw.length / 2);
    for (let i = 0; i < out.length; i++) {
      const code = raw.charCodeAt(2 * i) | raw.charCodeAt(2 * i + 1) << 8;
      out[i] = code ? 10 ** (LOW + (code - 1) / STEPS * DECADES) : 0;
    }
    return out;
  };

  class Viewer extends Cursors {
    constructor(root, data, view) {
      super(root, data, view);
      this.wire();
      this.begin(data.start);
    }

    // ── what is chosen ────────────────────────────────────────────────────────────────────────────────────────

    begin(start) {
      this.control("a").value = String(start.a);
      this.control("b").value = String(start.b);
      this.choose("kind", start.kind);
      this.choose("scale", start.scale);
      this.choose("axis", start.axis);
      this.axis = start.axis;
      this.control("tone").value = String(start.tone);
      this.load();
      this.whole();
      this.toTone();
      // The first harmonics are what is read first; what lies beyond them is there by one button.
      if (this.speed() && this.at.harmonic * (MOST + 2) < this.reach) this.zoom(0, this.at.harmonic * (MOST + 2));
    }

    choose(name, value) {
      const button = this.root.querySelector(`input[data-control="${name}"][value="${value}"]`);
      if (button) button.checked = true;
    }

    chosen(name) { return this.root.querySelector(`input[data-control="${name}"]:checked`).value; }

    speed(place = Number(this.control("a").value)) { return this.data.captures[place]?.speed ?? null; }

    /* A spectrum on the axis that is shown: {step, values, scale}, or null. */
    spectrum(place) {
      const kind = this.chosen("kind"), point = this.data.points[Number(this.control("point").value)];
      const found = this.data.captures[place]?.spectra.find((one) => one.kind === kind && one.point === point);
      if (!found) return null;
      if (!this.cache.has(found)) this.cache.set(found, decode(found.data));
      let factor = 1;
      if (found.axis !== this.axis) {
        const speed = this.speed(place);
        if (!speed) return null;
        factor = this.axis === "order" ? 1 / speed : speed;
      }
      return { step: found.step * factor, values: this.cache.get(found) };
    }

    load() {
      const places = [Number(this.control("a").value), Number(this.control("b").value)];
      const kind = KINDS[this.chosen("kind")], level = this.chosen("scale") === "dB";
      this.shown = places.map((place) => place < 0 ? null : this.spectrum(place));
      const peaks = [this.a, this.b].map((source, n) => {
        const one = this.shown[n];
        if (!one) { source.data = { x: [], y: [] }; return 0; }
        const x = Float64Array.from(one.values, (_, i) => (i + 0.5) * one.step);
        source.data = { x, y: level ? this.levels(one.values, kind) : one.values };
        return one.values.length * one.step;
      });
      this.reach = Math.max(...peaks) || 1;
      this.cell = (this.shown[0] ?? this.shown[1])?.step ?? 1;
      const unit = this.axis === "Hz" ? "Hz" : "order of the input";
      this.xAxis.axis_label = this.axis === "Hz" ? "Frequency [Hz]" : "Order of the input";
      this.yAxis.axis_label = level ? `${kind.name} [${kind.level}]` : `${kind.name} [${kind.unit}]`;
      this.root.querySelector(".cell").textContent = `Each cell is ${plain(this.cell)} ${unit} wide and shows its highest line.`;
      for (const label of this.root.querySelectorAll(".axis-unit")) label.textContent = this.axis;
      this.say(places);
    }

    levels(values, kind) {
      const floor = kind.per * Math.log10(1e-8 / kind.reference);
      return Float64Array.from(values, (value) => value > 0 ? kind.per * Math.log10(value / kind.reference) : floor);
    }

    say([a, b]) {
      const notes = [];
      if (!this.shown[0]) notes.push(this.missing("A", a));
      if (b >= 0 && !this.shown[1]) notes.push(this.missing("B", b));
      const [va, vb] = [this.speed(a), b < 0 ? null : this.speed(b)];
      if (this.axis === "Hz" && va && vb && Math.abs(va / vb - 1) > 0.002) {
        notes.push(`A ran at ${va.toFixed(2)} Hz and B at ${vb.toFixed(2)} Hz: against order their lines lie on each other.`);
      }
      this.root.querySelector(".note").textContent = notes.join(" ");
      const orders = this.root.querySelector('input[data-control="axis"][value="order"]');
      orders.disabled = !va && this.chosen("kind") !== "envelope";
    }

    missing(name, place) {
      const needs = this.data.captures[place]?.speed ? "" : `, whose speed is not known for the axis in ${this.axis}`;
      return `${name}: this point has no such spectrum in the capture chosen${needs}.`;
    }

    // ── ranges ────────────────────────────────────────────────────────────────────────────────────────────────

    whole() {
      this.x.setv({ start: 0, end: this.reach, bounds: [0, this.reach], reset_start: 0, reset_end: this.reach });
      this.fit();
    }

    zoom(from, to) {
      const width = clamp(to - from, 8 * this.cell, this.reach);
      const start = clamp(from, 0, this.reach - width);
      this.x.setv({ start, end: start + width });
    }

    /* The vertical range follows what is in sight. */
    fit() {
      const level = this.chosen("scale") === "dB", kind = KINDS[this.chosen("kind")];
      let top = 0, sum = 0, count = 0;
      for (const one of this.shown) {
        if (!one) continue;
        const first = Math.max(Math.floor(this.x.start / one.step), 0);
        const last = Math.min(Math.ceil(this.x.end / one.step), one.values.length);
        for (let i = first; i < last; i++) {
          const value = one.values[i];
          if (value > top) top = value;
          if (value > 0) { sum += Math.log10(value); count++; }
        }
      }
      if (!(top > 0)) top = 1;
      let range = [0, 1.12 * top];
      if (level) {
        const high = kind.per * Math.log10(top / kind.reference);
        const middle = count ? kind.per * (sum / count - Math.log10(kind.reference)) : high - 40;
        range = [Math.max(Math.min(middle - 15, high - 25), high - 110), high + 0.08 * (high - middle) + 3];
      }
      this.y.setv({ start: range[0], end: range[1], reset_start: range[0], reset_end: range[1] });
      this.control("from").value = fixed(this.x.start, this.cell);
      this.control("to").value = fixed(this.x.end, this.cell);
      this.draw();
    }

    // ── wiring ────────────────────────────────────────────────────────────────────────────────────────────────

    wire() {
      const again = () => { this.load(); this.fit(); };
      for (const name of ["a", "b", "point"]) this.control(name).addEventListener("change", again);
      for (const button of this.root.querySelectorAll('input[data-control="kind"]')) {
        button.addEventListener("change", () => { this.load(); this.whole(); });
      }
      for (const button of this.root.querySelectorAll('input[data-control="scale"]')) button.addEventListener("change", again);
      for (const button of this.root.querySelectorAll('input[data-control="axis"]')) {
        button.addEventListener("change", () => this.turn(button.value));
      }
      this.control("swap").addEventListener("click", () => {
        const [a, b] = [this.control("a"), this.control("b")];
        if (b.value === "-1") return;
        [a.value, b.value] = [b.value, a.value];
        again();
      });
      this.control("tone").addEventListener("change", () => { if (this.control("tone").value !== "-2") this.toTone(); });
      for (const name of ["harmonics", "sidebands"]) this.control(name).addEventListener("change", () => this.draw());
      for (const name of ["harmonic", "carrier", "spacing"]) {
        const field = this.control(name);
        field.addEventListener("change", () => { if (Number(field.value) > 0) this.set(name, Number(field.value)); });
      }
      const span = () => [Number(this.control("from").value), Number(this.control("to").value)];
      for (const name of ["from", "to"]) {
        this.control(name).addEventListener("change", () => { const [from, to] = span(); if (to > from) this.zoom(from, to); });
      }
      const by = (factor) => {
        const middle = (this.x.start + this.x.end) / 2, half = (this.x.end - this.x.start) / 2 * factor;
        this.zoom(middle - half, middle + half);
      };
      this.control("in").addEventListener("click", () => by(0.5));
      this.control("out").addEventListener("click", () => by(2));
      this.control("whole").addEventListener("click", () => this.whole());
      this.control("peak").addEventListener("click", () => this.fitLines(0.01));
      this.x.change.connect(() => {
        clearTimeout(this.fitting);
        this.fitting = setTimeout(() => this.fit(), 60);
        this.draw();
      });
      new ResizeObserver(() => setTimeout(() => this.draw(), 60)).observe(this.overlay.parentElement);
      this.overlay.parentElement.addEventListener("dblclick", (event) => {
        const box = this.overlay.getBoundingClientRect();
        if (event.clientX < box.left || event.clientX > box.right) return;
        const place = this.x.start + (event.clientX - box.left) / this.width * (this.x.end - this.x.start);
        const name = event.shiftKey ? "carrier" : "harmonic";
        this.control(event.shiftKey ? "sidebands" : "harmonics").checked = true;
        this.set(name, place);
        this.handles[name].focus();
      });
    }

    /* To another axis: what is in sight and the cursors stay at the same lines of A. */
    turn(axis) {
      const speed = this.speed();
      if (axis === this.axis) return;
      const factor = speed ? (axis === "order" ? 1 / speed : speed) : null;
      const was = [this.x.start, this.x.end], all = was[0] <= 0 && was[1] >= this.reach * 0.999;
      this.axis = axis;
      if (factor) for (const name of Object.keys(this.at)) this.at[name] *= factor;
      this.load();
      this.whole();
      if (factor && !all) this.zoom(was[0] * factor, was[1] * factor);
    }
  }

  const start = async (root) => {
    const data = JSON.parse(root.querySelector("script.data").textContent);
    const item = JSON.parse(root.querySelector("script.figure").textContent);
    const views = await Bokeh.embed.embed_item(item, root.querySelector(".live").id);
    const view = Array.isArray(views) ? views[0] : [...(views.roots ?? views)][0];
    if (window.matchMedia("(pointer: coarse)").matches) {
      // A finger that scrolls the page must not draw a zoom box: tools are chosen by a tap.
      for (const tool of view.model.toolbar.tools) if (tool.active) tool.active = false;
    }
    root.viewer = new Viewer(root, data, view);
    root.dataset.started = "done";
    setTimeout(() => root.viewer.draw(), 150);
  };

  Bokeh.logger?.set_level("error");
  for (const root of document.querySelectorAll("[data-viewer]")) {
    root.classList.add("is-live");
    start(root).catch((problem) => {
      root.classList.remove("is-live");
      console.error("the viewer could not be started:", problem);
    });
  }
})();
