/* Levels against time: puts the series that is chosen into the picture, with its limits and what was done to the drive.
   Also names events in pictures of tones. */
(() => {
  "use strict";
  if (typeof Bokeh === "undefined") return;

  const label = (events, top) => {
    const named = events.filter((e) => e.row !== null);
    return {
      x: named.map((e) => e.x), y: named.map(() => top), text: named.map((e) => e.before ? e.text + "\u2002" : e.text),
      off: named.map((e) => 15 + 16 * e.row), align: named.map((e) => e.before ? "right" : "left"),
    };
  };

  const showEvents = (model, events, top) => {
    const put = (name, data) => { const source = model(name); if (source) source.data = data; };
    put("anew", { x: events.filter((e) => e.anew).map((e) => e.x) });
    put("events", { x: events.filter((e) => !e.anew).map((e) => e.x) });
    put("names", label(events, top));
  };

  const when = (ms) => new Date(ms).toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric", timeZone: "UTC" });

  const start = async (section) => {
    const data = JSON.parse(section.querySelector("script.data").textContent);
    const item = JSON.parse(section.querySelector("script.figure").textContent);
    const place = section.querySelector(".live");
    const views = await Bokeh.embed.embed_item(item, place.id);
    const view = Array.isArray(views) ? views[0] : [...(views.roots ?? views)][0];
    const model = (name) => view.model.document.get_model_by_name(name);
    const list = section.querySelector("select");
    const words = section.querySelector(".words");
    const rows = section.querySelector(".limits tbody");

    const show = () => {
      const one = data.series[Number(list.value)];
      const pick = (wanted) => {
        const at = one.x.map((_, n) => n).filter(wanted);
        return {
          x: at.map((n) => one.x[n]), y: at.map((n) => one.y[n]), when: at.map((n) => when(one.x[n])),
          said: at.map((n) => one.y[n] + (one.unit ? " " + one.unit : "")),
        };
      };
      const [x0, x1] = data.span;
      const time = model("time"), level = model("level");
      time.setv({ start: x0, end: x1, reset_start: x0, reset_end: x1 });
      level.setv({ start: one.range[0], end: one.range[1], reset_start: one.range[0], reset_end: one.range[1] });
      model("level-axis").axis_label = one.axis;
      const good = pick((n) => one.good[n]);
      model("line").data = { x: good.x, y: good.y };
      model("good").data = good;
      model("other").data = pick((n) => !one.good[n]);
      model("beyond").data = pick((n) => one.beyond.includes(n));
      model("usual").data = { y: one.usual === null ? [] : [one.usual] };
      for (const source of ["ISO rules", "this drive", "sister drives", "another system"]) {
        for (const kind of ["change", "alarm", "trip"]) {
          const limits = one.limits.filter((limit) => limit.source === source && limit.kind === kind);
          const low = limits.map((limit) => limit.low).filter((value) => value !== null);
          model(`limit ${source} ${kind}`).data = { y: [...limits.map((limit) => limit.y), ...low] };
        }
      }
      const named = one.limits.filter((limit) => limit.text);
      model("limit names").data = {
        x: named.map(() => x0), y: named.map((l) => l.y), text: named.map((l) => l.text), off: named.map((l) => l.off),
      };
      showEvents(model, data.events, one.range[1]);
      words.textContent = one.words;
      rows.replaceChildren(...one.limit_rows.map((limit) => {
        const row = document.createElement("tr");
        const name = document.createElement("th");
        name.scope = "row";
        const key = document.createElement("i");
        key.className = "dash " + limit.source.replaceAll(" ", "-");
        name.append(key, limit.name);
        const value = document.createElement("td");
        value.className = "n";
        value.textContent = (limit.low ? limit.low + " to " : "") + limit.value;
        const why = document.createElement("td");
        why.textContent = limit.because + (limit.above ? " · lies above the picture" : "");
        row.append(name, value, why);
        return row;
      }));
      section.querySelector(".limits").hidden = !one.limit_rows.length;
    };
    list.addEventListener("change", show);
    show();
    section.dataset.started = "done";
    document.addEventListener("vibe:series", (event) => {
      if (!(event.detail in data.series)) return;
      list.value = String(event.detail);
      show();
      section.scrollIntoView({ block: "start" });
      list.focus();
    });
  };

  const tones = async (section) => {
    const item = JSON.parse(section.querySelector("script.figure").textContent);
    const data = JSON.parse(section.querySelector("script.data").textContent);
    const views = await Bokeh.embed.embed_item(item, section.querySelector(".live").id);
    const view = Array.isArray(views) ? views[0] : [...(views.roots ?? views)][0];
    const model = (name) => view.model.document.get_model_by_name(name);
    model("time").setv({ start: data.x[0], end: data.x[1], reset_start: data.x[0], reset_end: data.x[1] });
    model("level").setv({ start: data.y[0], end: data.y[1], reset_start: data.y[0], reset_end: data.y[1] });
    model("level-axis").axis_label = data.label;
    if (section.clientWidth < 620) model("tone names").ncols = 1;
    for (let n = 0, source; (source = model(`tone ${n}`)); n++) {
      const tone = data.tones[n], entry = model(`tone name ${n}`);
      entry.visible = Boolean(tone);
      if (!tone) continue;
      source.data = { x: tone.x, y: tone.y, name: tone.x.map(() => tone.name) };
      entry.label = { value: tone.name };
    }
    showEvents(model, data.events, data.y[1]);
    section.dataset.started = "done";
  };

  const run = (kind, work) => {
    for (const section of document.querySelectorAll(kind)) {
      section.classList.add("is-live");
      work(section).catch((problem) => {
        section.classList.remove("is-live");
        console.error("a picture could not be drawn:", problem);
      });
    }
  };
  Bokeh.logger?.set_level("error");
  run("[data-trend]", start);
  run("[data-tones]", tones);
  for (const button of document.querySelectorAll("button[data-series]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      document.dispatchEvent(new CustomEvent("vibe:series", { detail: Number(button.dataset.series) }));
    });
  }
})();
