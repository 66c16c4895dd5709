"use strict";

// On a phone the charts, and the library that draws them, are loaded only when asked for.
(() => {
  function load(place) {
    place.dataset.loaded = "yes";
    for (const address of place.dataset.scripts.split(" ")) {
      const script = document.createElement("script");
      script.src = address;
      script.async = false; // one after the other
      document.head.append(script);
    }
  }

  document.addEventListener("DOMContentLoaded", () => {
    const place = document.querySelector("[data-scripts]");
    if (!place) {
      return;
    }
    if (!window.matchMedia("(max-width: 40rem)").matches) {
      load(place);
      return;
    }
    const button = place.querySelector("button");
    button.hidden = false;
    button.addEventListener("click", () => {
      button.hidden = true;
      load(place);
    });
  });
})();
