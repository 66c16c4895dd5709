"use strict";

// A record that the program did not take, as it is shown to be corrected: at the step it was made,
// where that is on this page.
window.stoppedRecords = (() => {
  const STEP = ["kind", "job", "fastener", "figure", "way", "step", "rule", "point"];

  // what can be filled in, kept with the record so that it can be corrected on any page
  function inside(form) {
    const parts = Array.from(form.querySelectorAll(".field, .tick"));
    return parts
      .filter((one) => !one.querySelector("[type=file]"))
      .map((one) => one.outerHTML)
      .join("");
  }

  function stepOf(entry) {
    const fields = new Map(entry.fields);
    const same = (form) => {
      const data = new FormData(form);
      return STEP.every((name) => (data.get(name) || "") === (fields.get(name) || ""));
    };
    const forms = document.querySelectorAll(`form[data-record][action="${entry.address}"]`);
    return Array.from(forms).find((form) => !form.dataset.entry && same(form));
  }

  function parts(entry, throwAway) {
    const box = document.createElement("div");
    if (entry.stopped.html) {
      box.innerHTML = entry.stopped.html;
    } else {
      const said = `${entry.stopped.said} ${entry.stopped.here || ""}`;
      box.append(paragraph(entry.stopped.here === undefined ? said : `The program: ${said}`));
      box.append(correction(entry));
    }
    box.querySelector("form").dataset.entry = entry.id;
    tellApart(box, entry.id);
    return [box, button("Throw this record away", throwAway)];
  }

  // the record's own fields, filled in as they were sent
  function correction(entry) {
    const form = document.createElement("form");
    form.className = "queue-correct panel fields";
    form.method = "post";
    form.setAttribute("action", entry.address);
    form.dataset.record = "";
    form.innerHTML = entry.inside || "";
    const given = new Map(entry.fields);
    Array.from(form.elements).forEach((control) => {
      if (control.type === "checkbox" || control.type === "radio") {
        control.checked = given.get(control.name) === control.value;
      } else if (given.has(control.name)) {
        control.value = given.get(control.name);
      }
    });
    const send = button("Send it again");
    send.type = "submit";
    form.append(send);
    return form;
  }

  // labels of two forms of one kind must not point at each other
  function tellApart(box, id) {
    box.querySelectorAll("[id], [for]").forEach((one) => {
      ["id", "for"].filter((name) => one.hasAttribute(name)).forEach((name) => {
        one.setAttribute(name, `${one.getAttribute(name)}-stopped-${id}`);
      });
    });
  }

  // a record in the words of its form: what its fields are called, and what stands in them
  function spoken(form, submitter) {
    const parts = Array.from(form.elements).map(valueWords).filter(Boolean);
    if (submitter && submitter.name) {
      parts.unshift(submitter.textContent.trim());
    }
    const { words } = form.dataset;
    return [words, parts.join(", ")].filter(Boolean).join(": ");
  }

  function valueWords(one) {
    if (one.type === "hidden" && one.name === "wrench") {
      return one.value ? `wrench ${one.value}` : "no wrench noted";
    }
    const label = one.labels && one.labels[0] && one.labels[0].textContent.trim();
    if (!label || one.type === "submit") {
      return "";
    }
    if (one.type === "checkbox" || one.type === "radio") {
      return one.checked ? label : "";
    }
    const chosen = one.selectedOptions && one.selectedOptions[0];
    const file = one.files && one.files[0] && one.files[0].name;
    const value = file || (chosen ? one.value && chosen.textContent.trim() : one.value.trim());
    return value ? `${label} ${value}` : "";
  }

  function paragraph(text) {
    const made = document.createElement("p");
    made.textContent = text;
    return made;
  }

  function button(text, act) {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = text;
    if (act) {
      made.addEventListener("click", act);
    }
    return made;
  }

  return { inside, stepOf, parts, spoken, paragraph, button };
})();
