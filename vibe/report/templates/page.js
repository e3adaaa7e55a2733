/* Puts the zooming plot in place of the still picture when it comes near the screen; the picture stays for print,
   for pages without scripts, and whenever a plot cannot be made. */
(() => {
  "use strict";
  const touch = window.matchMedia("(pointer: coarse)").matches;

  const start = async (figure) => {
    const data = figure.querySelector('script[type="application/json"]');
    const place = figure.querySelector(".live");
    if (!data || !place || figure.dataset.started) return;
    figure.dataset.started = "yes";
    figure.classList.add("is-live");
    try {
      const views = await Bokeh.embed.embed_item(JSON.parse(data.textContent), place.id);
      if (touch) {
        // A finger that scrolls the page must not draw a zoom box: tools are chosen by a tap.
        for (const view of Array.isArray(views) ? views : [...(views.roots ?? views)]) {
          for (const tool of view.model.toolbar.tools) if (tool.active) tool.active = false;
        }
      }
      figure.dataset.started = "done";
    } catch (problem) {
      figure.classList.remove("is-live");
      console.warn("the still picture stays:", problem);
    }
  };

  const figures = document.querySelectorAll("figure[data-live]");
  if (typeof Bokeh !== "undefined") {
    Bokeh.logger?.set_level("error");
    if ("IntersectionObserver" in window) {
      const watcher = new IntersectionObserver((entries) => {
        for (const entry of entries) if (entry.isIntersecting) { watcher.unobserve(entry.target); start(entry.target); }
      }, { rootMargin: "600px" });
      for (const figure of figures) watcher.observe(figure);
    } else {
      for (const figure of figures) start(figure);
    }
  }

  const opened = [];
  window.addEventListener("beforeprint", () => {
    for (const part of document.querySelectorAll("details:not([open])")) { part.open = true; opened.push(part); }
  });
  window.addEventListener("afterprint", () => {
    while (opened.length) opened.pop().open = false;
  });
})();
