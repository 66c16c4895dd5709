"use strict";

// A visit dragged to another day or bay: what that costs is asked for and shown, and only the
// button there moves it. Touch and keyboard have the form of the visit's own page.
(() => {
  const ask = document.getElementById("dropped");
  const days = document.querySelector(".days");
  if (!ask || !days || matchMedia("(pointer: coarse)").matches) {
    return;
  }
  const head = ask.querySelector("h2");
  let held = null;

  for (const one of days.querySelectorAll("[data-visit]")) {
    one.draggable = true;
  }
  document.querySelector(".drag-hint").hidden = false;

  function place(event) {
    const cell = event.target.closest("td[data-on]");
    return held && cell && !cell.contains(held) ? cell : null;
  }

  function unmark() {
    days.querySelectorAll(".drop-here").forEach((one) => one.classList.remove("drop-here"));
  }

  days.addEventListener("dragstart", (event) => {
    held = event.target.closest("[data-visit]");
    if (held) {
      held.classList.add("dragged");
      event.dataTransfer.effectAllowed = "move";
      event.dataTransfer.setData("text/plain", held.dataset.name);
      event.dataTransfer.setDragImage(held, 0, 0);
    }
  });
  days.addEventListener("dragend", () => {
    unmark();
    held.classList.remove("dragged");
    held = null;
  });
  days.addEventListener("dragover", (event) => {
    unmark();
    const cell = place(event);
    if (cell) {
      event.preventDefault();
      cell.classList.add("drop-here");
    }
  });
  days.addEventListener("drop", (event) => {
    const cell = place(event);
    if (cell) {
      event.preventDefault();
      weigh(held, cell);
    }
  });

  function weigh(visit, cell) {
    const { on, bay, words } = cell.dataset;
    head.textContent = `${visit.dataset.name} on ${words}${bay ? `, ${bay}` : ""}`;
    ask.querySelector("#weighed").replaceChildren(ask.querySelector("template").content.cloneNode(true));
    ask.showModal();
    const query = new URLSearchParams({ on, bay });
    window.htmx.ajax("GET", `${visit.dataset.visit}?${query}`, {
      target: "#weighed",
      select: "#weighed",
      swap: "outerHTML",
    });
  }
})();
