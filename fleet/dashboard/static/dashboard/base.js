"use strict";

document.addEventListener("change", (event) => {
  if (event.target.matches("[data-submit-on-change]")) {
    event.target.form.requestSubmit();
  } else if (event.target.matches("[data-choose-all]")) {
    const { form, checked, dataset } = event.target;
    Array.from(form.elements).forEach((one) => {
      if (one.name === dataset.chooseAll && one.type === "checkbox") one.checked = checked;
    });
  }
});

// the decimal keypad of a phone has no minus
document.addEventListener("click", (event) => {
  const key = event.target.closest("[data-sign]");
  if (key) {
    const field = key.previousElementSibling;
    const typed = field.value.trim();
    field.value = /^[-\u2212]/.test(typed) ? typed.slice(1) : `-${typed}`;
    field.focus();
  }
});

// a lost session or a fault must not leave a button that seems to do nothing
document.addEventListener("htmx:responseError", (event) => {
  const place = document.getElementById("trouble");
  if (place) {
    place.textContent =
      event.detail.xhr.status === 403
        ? "You may not do this, or you were signed out. Load the page again."
        : "That did not work. Load the page again; if it happens again, tell your supervisor.";
    place.hidden = false;
  }
});

document.addEventListener("htmx:sendError", () => {
  const place = document.getElementById("trouble");
  if (place) {
    place.textContent = "The program cannot be reached. Check the connection and try again.";
    place.hidden = false;
  }
});

// what somebody is typing into a piece stays while it is brought up to date
function keepTyped(shown, fresh) {
  shown.querySelectorAll("input[id]").forEach((one) => {
    const field = fresh.querySelector(`#${CSS.escape(one.id)}`);
    if (field && one.value !== one.defaultValue) field.setAttribute("value", one.value);
  });
}

// an answer may bring up to date what stands elsewhere; what this page does not show is left out
document.addEventListener("htmx:beforeSwap", (event) => {
  const { serverResponse } = event.detail;
  if (!serverResponse.includes("hx-swap-oob")) return;
  const answer = document.createElement("template");
  answer.innerHTML = serverResponse;
  answer.content.querySelectorAll("[hx-swap-oob][id]").forEach((one) => {
    const shown = document.getElementById(one.id);
    if (shown) keepTyped(shown, one);
    else one.remove();
  });
  event.detail.serverResponse = answer.innerHTML;
});

// what is long is folded on a phone, and whole on paper
const folds = () => document.querySelectorAll("details[data-fold-on-phone]");
if (window.matchMedia("(max-width: 40rem)").matches) {
  folds().forEach((one) => {
    one.open = false;
  });
}
window.addEventListener("beforeprint", () => {
  folds().forEach((one) => {
    one.open = true;
  });
});
