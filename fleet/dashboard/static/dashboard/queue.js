"use strict";

// Records made at the vehicle wait here until the program has them: in order, each stopping alone
// where it is not taken. Only records; changes of state need the network.
(() => {
  const { stoppedRecords, keptRecords, halfTyped, waitingList } = window;
  const { paragraph, spoken } = stoppedRecords;
  const place = document.getElementById("queue");
  if (!place || !keptRecords) {
    return;
  }
  const { all, put, drop } = keptRecords;
  const { person } = place.dataset;
  const SIGNED_OUT = "You were signed out. Nothing is lost: sign in again as the same person.";
  const NEEDS_NETWORK =
    "This changes the state of the order and needs the network. Records do not.";
  const WAITING = new Set(["end-job", "finish"]); // they rest on what was recorded
  const PAUSES_S = [5, 15, 45, 60]; // until the next try by itself
  const REST_MS = 1000; // a second tap within this is the same tap
  let running = null; // the sending under way
  let again = false; // something came while it ran
  let failed = 0; // tries without an answer, one after the other
  let retry = 0;

  // --- taking a record -----------------------------------------------------------------------
  const keys = new WeakMap(); // of a form, for what is filled in now
  const resting = new WeakSet(); // forms whose record was just taken

  function key() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  // one key for each filling of a form; the next is made only after its record was taken
  function keyOf(form) {
    if (!keys.has(form)) {
      keys.set(form, key());
    }
    return keys.get(form);
  }

  async function take(form, button) {
    if (resting.has(form)) {
      return;
    }
    const data = new FormData(form);
    if (button && button.name) {
      data.set(button.name, button.value);
    }
    data.delete("csrfmiddlewaretoken");
    rest(form);
    if (form.dataset.entry) {
      await putAgain(form, data);
    } else {
      data.set("client_key", keyOf(form));
      data.set("performed_at", new Date().toISOString());
      await put({
        person,
        address: form.getAttribute("action"),
        words: form.dataset.words,
        said: spoken(form, button),
        order: place.dataset.order,
        vehicle: place.dataset.vehicle,
        fields: Array.from(data.entries()),
        inside: stoppedRecords.inside(form),
        stopped: null,
      });
      keys.delete(form);
      clear(form);
      form.closest(".gaps li")?.replaceChildren(paragraph(`${form.dataset.words}: taken.`));
    }
    await draw();
    await flush();
  }

  // its buttons are off at once, so that a second tap makes no second record
  function rest(form) {
    const buttons = Array.from(form.querySelectorAll("button:enabled"));
    resting.add(form);
    buttons.forEach((one) => {
      one.disabled = true;
    });
    setTimeout(() => {
      resting.delete(form);
      buttons.forEach((one) => {
        one.disabled = false;
      });
    }, REST_MS);
  }

  // a stopped record as it was corrected; what the form does not show stays as it was
  async function putAgain(form, data) {
    const id = Number(form.dataset.entry);
    const entry = (await all()).find((one) => one.id === id);
    if (!entry) {
      return;
    }
    const shown = new Set(Array.from(form.elements, (one) => one.name));
    const unshown = entry.fields.filter(([name]) => !shown.has(name));
    const retyped = data.get("torque"); // another value in the place of the figure
    const kept = unshown.filter(([name]) => name !== "whole" || !retyped);
    const said = spoken(form, null) || entry.said;
    await put({ ...entry, said, fields: [...kept, ...data.entries()], stopped: null });
  }

  function clear(form) {
    const wrench = form.querySelector("[data-wrench]");
    const chosen = wrench && wrench.value;
    form.reset();
    if (wrench) {
      wrench.value = chosen;
    }
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.matches("[data-record]")) {
      event.preventDefault();
      take(form, event.submitter).catch((fault) => {
        tell(form, `This phone could not keep it: ${fault}`);
      });
    } else if (form.matches("[data-change]") && !free.delete(form)) {
      holdBack(event);
    }
  });

  document.addEventListener("change", (event) => {
    if (event.target.matches("[data-wrench]")) {
      document.querySelectorAll("[data-wrench]").forEach((one) => {
        one.value = event.target.value;
      });
      document.querySelectorAll("[data-wrench-said]").forEach((one) => {
        one.textContent = event.target.value || "not noted";
      });
    }
  });

  // --- changes of state wait for records -----------------------------------------------------
  const free = new WeakSet(); // forms that may go now

  function holdBack(event) {
    const { target: form, submitter } = event;
    if (WAITING.has(new FormData(form).get("change"))) {
      event.preventDefault();
      letGo(form, submitter).catch((fault) => tell(form, `That did not work: ${fault}`));
    } else if (!navigator.onLine) {
      event.preventDefault();
      tell(form, NEEDS_NETWORK);
    }
  }

  async function letGo(form, submitter) {
    if ((await heldOf(form.getAttribute("action"))).length) {
      tell(form, "This waits until what this phone still holds is sent.");
      await flush();
    }
    const held = await heldOf(form.getAttribute("action"));
    if (held.length) {
      tell(form, waits(held));
    } else if (navigator.onLine) {
      free.add(form);
      form.requestSubmit(submitter);
    } else {
      tell(form, NEEDS_NETWORK);
    }
  }

  // the records of an order, whoever made them, that are still on this phone
  async function heldOf(address) {
    const order = (one) => one.replace(/\/[^/]+$/, "");
    return (await all()).filter((entry) => order(entry.address) === order(address));
  }

  function waits(held) {
    const others = held.filter((entry) => entry.person !== person).length;
    const stopped = held.filter((entry) => entry.person === person && entry.stopped).length;
    const parts = [`This waits: this phone still holds ${many(held.length)} of the order.`];
    if (stopped) {
      parts.push(`${stopped} stopped: correct what the program asks about, or throw it away.`);
    }
    if (others) {
      parts.push(`${others} of another person, who must sign in here to send.`);
    }
    if (!stopped && !others) {
      parts.push("They are sent once there is a network; then tap again.");
    }
    return parts.join(" ");
  }

  function tell(form, text) {
    form.querySelector(".queue-wait")?.remove();
    const said = paragraph(text);
    said.className = "queue-wait notice notice-warning";
    said.setAttribute("role", "alert");
    form.append(said);
    said.scrollIntoView({ block: "nearest" });
  }

  // --- sending -------------------------------------------------------------------------------
  function flush() {
    clearTimeout(retry);
    again = true;
    running ??= sendAll();
    return running;
  }

  // what is recorded while the page is brought up to date is sent by the next round
  async function sendAll() {
    try {
      while (again) {
        again = false;
        await sendHeld();
      }
    } finally {
      running = null;
    }
  }

  async function sendHeld() {
    let said = "";
    let kept = 0;
    let next = await first();
    while (next) {
      const answer = await send(next);
      said = answer.said || said;
      kept += answer.kept ? 1 : 0;
      failed = answer.halt ? failed : 0;
      if (answer.later) {
        said = `${said} ${tryLater()}`;
      }
      next = answer.halt ? null : await first();
    }
    await draw(said);
    if (kept) {
      await refresh();
    }
  }

  // without anybody tapping: soon, then ever less often, as long as the page is open
  function tryLater() {
    const pause = PAUSES_S[Math.min(failed, PAUSES_S.length - 1)];
    failed += 1;
    clearTimeout(retry);
    retry = setTimeout(flush, pause * 1000);
    return `Tried again by itself in ${pause === 60 ? "a minute" : `${pause} s`}.`;
  }

  // the oldest of this person's records that is not stopped
  async function first() {
    return (await all()).find((entry) => entry.person === person && !entry.stopped);
  }

  async function send(entry) {
    const body = new FormData();
    entry.fields.forEach(([name, value]) => body.append(name, value));
    body.set("person", person);
    const headers = { "X-Queue": "1", "X-CSRFToken": cookie("csrftoken") };
    let answer;
    try {
      answer = await fetch(entry.address, { method: "POST", body, headers });
    } catch {
      return { halt: true, later: true, said: "No answer: it is kept on this phone." };
    }
    if (answer.redirected) {
      return { halt: true, said: SIGNED_OUT };
    }
    return settle(entry, answer);
  }

  async function settle(entry, answer) {
    const json = (answer.headers.get("Content-Type") || "").includes("json");
    const told = json ? await answer.json() : { outcome: answer.status === 404 ? "refused" : "" };
    if (told.outcome === "kept") {
      await drop(entry.id);
      return { kept: true, said: told.said };
    }
    if (told.outcome === "asked" || told.outcome === "refused") {
      const said = told.said || "This order is not among yours any more.";
      const at = Date.now();
      await put({ ...entry, stopped: { said, here: told.here, html: told.html, at } });
      return { said: "The program asks back about a record; it stands at its step." };
    }
    if (told.said) {
      return { halt: true, said: told.said };
    }
    return { halt: true, later: true, said: "The program could not take it; nothing is lost." };
  }

  function cookie(name) {
    const found = document.cookie.split("; ").find((one) => one.startsWith(`${name}=`));
    return found ? decodeURIComponent(found.slice(name.length + 1)) : "";
  }

  // bring what is recorded on this page up to date, and leave what is half typed alone
  async function refresh() {
    // a question is answered at an address that shows nothing by itself: the card is the same page
    const address = window.location.href.replace(/\/(change|records)$/, "/card");
    const answer = await fetch(address).catch(() => null);
    if (!answer || !answer.ok || answer.redirected) {
      return;
    }
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.querySelectorAll("[data-fresh]").forEach((old) => {
      const other = fresh.getElementById(old.id);
      if (other) {
        const typed = halfTyped.valuesIn(old);
        old.replaceWith(document.adoptNode(other));
        halfTyped.giveBack(other, typed);
      }
    });
    waitingList.fold();
  }

  // --- showing -------------------------------------------------------------------------------
  function many(number) {
    return `${number} record${number === 1 ? "" : "s"}`;
  }

  async function draw(said = "") {
    waitingList.draw(await all(), said);
  }

  // taken out of the way of sending while it is corrected
  function correct(entry) {
    const said = "You are correcting it: it goes when you send it again.";
    return put({ ...entry, stopped: { said, at: Date.now() } }).then(() => draw());
  }

  waitingList.does({ send: flush, remove: (id) => drop(id).then(flush), correct });
  window.addEventListener("online", flush);
  flush();
})();
