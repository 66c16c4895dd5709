"use strict";

// Shows what waits on this phone: one folded line at the top, and each record at its own step.
window.waitingList = (() => {
  const { stoppedRecords } = window;
  const { button, paragraph } = stoppedRecords;
  const place = document.getElementById("queue");
  if (!place) {
    return null;
  }
  const { person } = place.dataset;
  const state = place.querySelector(".queue-state");
  const waiting = place.querySelector(".queue-waiting");
  const list = place.querySelector(".queue-entries");
  const READ_MS = 8000; // what was taken is said for so long
  const blocks = new Map(); // of stopped records, so that what is half typed there stays
  const marks = new Map(); // of records that wait, at their steps
  let act = {};
  let leaving = 0;

  function does(given) {
    act = given;
    place.querySelector(".queue-send").addEventListener("click", given.send);
  }

  function draw(entries, said) {
    const own = entries.filter((entry) => entry.person === person);
    const others = entries.length - own.length;
    const parts = [said];
    if (others) {
      parts.push(`${others} more wait for the person who made them to sign in.`);
    }
    state.textContent = parts.filter(Boolean).join(" ");
    state.hidden = !state.textContent;
    waiting.hidden = !own.length;
    waiting.querySelector("summary").textContent = own.length ? head(own) : "";
    clearBlocks(own);
    markSteps(own);
    list.replaceChildren(...own.map(line));
    place.querySelector(".queue-send").hidden = own.every((entry) => entry.stopped);
    place.hidden = !state.textContent && !own.length;
    fold();
    hideSoon(entries);
  }

  function head(own) {
    const since = clock(given(own[0], "performed_at"));
    const verb = own.length === 1 ? "record waits" : "records wait";
    return `${own.length} ${verb} to be sent, ${own.length === 1 ? "" : "the oldest "}since ${since}`;
  }

  function given(entry, name) {
    return new Map(entry.fields).get(name);
  }

  function clock(text) {
    return new Date(text).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  }

  function hideSoon(entries) {
    clearTimeout(leaving);
    if (!entries.length) {
      document.querySelectorAll(".queue-wait").forEach((one) => one.remove());
      leaving = setTimeout(() => {
        place.hidden = true;
      }, READ_MS);
    }
  }

  // --- at the steps --------------------------------------------------------------------------
  function markSteps(own) {
    const standing = new Map(own.filter((entry) => !entry.stopped).map((one) => [one.id, one]));
    marks.forEach((node, id) => {
      if (!standing.has(id)) {
        node.remove();
        marks.delete(id);
      }
    });
    standing.forEach((entry, id) => {
      const step = marks.has(id) ? null : stoppedRecords.stepOf(entry);
      if (step) {
        const node = paragraph(`${entry.said || entry.words}: waiting to be sent`);
        node.className = "queue-here";
        outside(step).before(node);
        marks.set(id, node);
      }
    });
  }

  // a step with a record folds its form, so that a second tap asks for it
  function fold() {
    document.querySelectorAll("details.again").forEach((one) => {
      const there = one.parentElement.querySelectorAll(".recorded li:not(.gone), .queue-here");
      const before = Number(one.dataset.count || 0);
      if (there.length !== before) {
        one.open = there.length < before ? there.length === 0 : false;
      }
      one.dataset.count = there.length;
    });
  }

  function outside(step) {
    return step.closest("details.again") || step;
  }

  // --- the list ------------------------------------------------------------------------------
  function clearBlocks(own) {
    const stamps = new Map(own.map((entry) => [entry.id, entry.stopped && entry.stopped.at]));
    blocks.forEach((block, id) => {
      if (stamps.get(id) !== block.at) {
        block.node.remove();
        blocks.delete(id);
      }
    });
  }

  function line(entry) {
    const item = document.createElement("li");
    const where = [entry.order, entry.vehicle].filter(Boolean).join(", ");
    const what = entry.said || entry.words || "Record";
    const at = clock(given(entry, "performed_at"));
    item.append(paragraph(`${where ? `${where}: ` : ""}${what} (${at})`));
    if (!entry.stopped) {
      item.append(choices(entry));
      return item;
    }
    const { node } = block(entry);
    if (stoppedRecords.stepOf(entry)) {
      item.append(button("Show it", () => node.scrollIntoView({ block: "center" })));
    } else {
      waiting.open = true;
      item.append(node);
    }
    return item;
  }

  function choices(entry) {
    const box = document.createElement("div");
    box.className = "choices";
    if (entry.inside) {
      box.append(button("Correct it", () => act.correct(entry)));
    }
    const remove = button("Remove it", () => {
      if (remove.dataset.sure) {
        act.remove(entry.id);
      }
      remove.dataset.sure = "yes";
      remove.textContent = "Remove it for good";
    });
    box.append(remove);
    return box;
  }

  // what stopped a record, and the record to correct: at the step it was made, where that is here
  function block(entry) {
    const there = blocks.get(entry.id);
    if (there) {
      return there;
    }
    const node = document.createElement("div");
    node.className = "queue-stopped";
    node.append(...stoppedRecords.parts(entry, () => act.remove(entry.id)));
    const step = stoppedRecords.stepOf(entry);
    if (step) {
      outside(step).after(node);
      requestAnimationFrame(() => node.scrollIntoView({ block: "nearest" }));
    }
    const made = { node, at: entry.stopped.at };
    blocks.set(entry.id, made);
    return made;
  }

  return { draw, does, fold };
})();
