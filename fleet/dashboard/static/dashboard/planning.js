"use strict";

// While a plan is made anew, the form says what that is at. The form itself needs no script.
(() => {
  const EVERY_MS = 500;
  const form = document.querySelector("[data-planning]");
  if (!form) {
    return;
  }
  const said = form.querySelector("[role=status]");
  const before = said.textContent;
  let asking = 0;

  async function ask() {
    try {
      const answer = await fetch(form.dataset.planning);
      if (answer.ok) {
        said.textContent = await answer.text();
      }
    } catch {
      // the page that follows is on its way
    }
  }

  form.addEventListener("submit", () => {
    form.querySelector("button").disabled = true;
    said.textContent = "Beginning …";
    asking = setInterval(ask, EVERY_MS);
  });
  window.addEventListener("pageshow", () => {
    clearInterval(asking);
    form.querySelector("button").disabled = false;
    said.textContent = before;
  });
})();
