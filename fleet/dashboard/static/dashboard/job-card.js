"use strict";

// The card is printed from its own page; without a script the browser's menu does it.
(() => {
  const button = document.querySelector("[data-print]");
  button.hidden = false;
  button.addEventListener("click", () => window.print());
})();
