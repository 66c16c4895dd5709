"use strict";

// What is half typed on a page of an order stays through changes of state, questions and reloads,
// and so does the place on the page where one was.
window.halfTyped = (() => {
  const [order] = window.location.pathname.match(/^\/work-orders\/[^/]+/) || [window.location.pathname];
  const place = document.getElementById("queue");
  const KEY = `half-typed ${place ? place.dataset.person : ""} ${order}`;
  const READ_MS = 8000;
  const PASSED_OVER = ["hidden", "file", "submit", "button", "image", "reset"];
  let sent = null; // the form that leaves the page, and the button that sent it

  function controlsIn(root) {
    const found = root.querySelectorAll("input, select, textarea");
    return Array.from(found).filter((one) => one.form && !PASSED_OVER.includes(one.type));
  }

  const ticked = (one) => one.type === "checkbox" || one.type === "radio";

  function nameOf(one) {
    return one.id || [one.form.id, one.form.getAttribute("action"), one.name, one.value].join("|");
  }

  function asRendered(one) {
    if (ticked(one)) {
      return one.checked === one.defaultChecked;
    }
    if (one.tagName === "SELECT") {
      const preset = Array.from(one.options).findIndex((option) => option.defaultSelected);
      return one.selectedIndex === Math.max(preset, 0);
    }
    return one.value === one.defaultValue;
  }

  // also what the program gave back, which the next page would not
  function valuesIn(root, except) {
    const typed = controlsIn(root).filter(
      (one) => one.form !== except && (one.form.matches("[data-given]") || !asRendered(one)),
    );
    return typed.map((one) => [nameOf(one), ticked(one) ? one.checked : one.value]);
  }

  function giveBack(root, values) {
    const wanted = new Map(values);
    controlsIn(root).forEach((one) => {
      const value = wanted.get(nameOf(one));
      if (value === undefined || !asRendered(one)) {
        return;
      }
      if (ticked(one)) {
        one.checked = value;
      } else {
        one.value = value;
      }
      if (!asRendered(one)) {
        open(one);
      }
    });
  }

  function open(one) {
    for (let fold = one.closest("details"); fold; fold = fold.parentElement.closest("details")) {
      fold.open = true;
    }
  }

  function keep() {
    const kept = { values: valuesIn(document.body, sent && sent.form), at: sent && whereOf(sent) };
    sessionStorage.setItem(KEY, JSON.stringify(kept));
  }

  // the nearest part of the page that has a name, and how far down the screen it stands
  function whereOf({ form, button }) {
    const parts = [];
    for (let one = button || form; one; one = one.parentElement) {
      if (one.id && one.id !== "main") {
        parts.push([one.id, one.getBoundingClientRect().top]);
      }
    }
    return parts;
  }

  function giveAllBack() {
    const kept = JSON.parse(sessionStorage.getItem(KEY) || "null");
    sessionStorage.removeItem(KEY);
    if (!kept) {
      return;
    }
    giveBack(document.body, kept.values);
    if (kept.at) {
      goTo(kept.at);
    }
  }

  function goTo(parts) {
    const look = document.querySelector("[data-look-here]");
    if (look) {
      open(look);
      look.scrollIntoView({ block: "center" });
      return;
    }
    const part = parts.find(([id]) => document.getElementById(id));
    if (part) {
      const { top } = document.getElementById(part[0]).getBoundingClientRect();
      window.scrollBy(0, top - part[1]);
      sayHere();
    }
  }

  // what came of it stands at the top, out of sight: it is shown here for a while
  function sayHere() {
    const said = document.querySelector(".said");
    if (said && said.getBoundingClientRect().bottom < 0) {
      said.classList.add("said-here");
      setTimeout(() => said.classList.remove("said-here"), READ_MS);
    }
  }

  // the last to hear of it: a form that was held back does not leave the page
  window.addEventListener("submit", (event) => {
    const leaves = event.target.method === "post" && !event.defaultPrevented;
    sent = leaves ? { form: event.target, button: event.submitter } : null;
  });
  window.addEventListener("pagehide", keep);
  window.addEventListener("pageshow", (event) => {
    sent = null;
    if (event.persisted) {
      sessionStorage.removeItem(KEY); // the page itself kept it
    }
  });
  giveAllBack();
  return { valuesIn, giveBack };
})();
