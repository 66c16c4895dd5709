"use strict";

// Draws every element with data-chart (the address of a figure). Colours in a figure are names of
// custom properties; they are looked up here, so that one figure fits light, dark and print.
(() => {
  const OPTIONS = {
    displaylogo: false,
    showSendToCloud: false,
    plotlyServerURL: "",
    responsive: true,
    modeBarButtonsToRemove: ["select2d", "lasso2d", "autoScale2d"],
  };
  // where nothing hovers the tools would always be there, on top of the key
  if (window.matchMedia("(hover: none), (max-width: 40rem)").matches) {
    OPTIONS.displayModeBar = false;
  }

  function coloured(part, styles) {
    if (typeof part === "string") {
      const named = part.match(/^var\((--[\w-]+)\)$/);
      return named ? styles.getPropertyValue(named[1]).trim() : part;
    }
    if (Array.isArray(part)) {
      return part.map((one) => coloured(one, styles));
    }
    if (part && typeof part === "object") {
      return Object.fromEntries(
        Object.entries(part).map(([name, one]) => [name, coloured(one, styles)]),
      );
    }
    return part;
  }

  async function draw(place) {
    const answer = await fetch(place.dataset.chart, { headers: { Accept: "application/json" } });
    if (!answer.ok) {
      place.textContent = "The chart could not be loaded; the table below has the same figures.";
      return;
    }
    place.figure = await answer.json();
    paint(place);
  }

  function paint(place) {
    const styles = getComputedStyle(document.documentElement);
    const { data, layout } = coloured(place.figure, styles);
    layout.font = { ...layout.font, family: getComputedStyle(document.body).fontFamily };
    window.Plotly.react(place, data, layout, OPTIONS);
    place.dataset.drawn = "yes";
  }

  function drawAll() {
    document.querySelectorAll("[data-chart]").forEach(draw);
  }

  if (document.readyState === "loading") {
    document.addEventListener("DOMContentLoaded", drawAll);
  } else {
    drawAll();
  }
  document.addEventListener("readings-changed", drawAll);
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    document.querySelectorAll("[data-chart][data-drawn]").forEach(paint);
  });
})();
