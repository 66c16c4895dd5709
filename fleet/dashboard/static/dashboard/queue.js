"use strict";

// Records made at the vehicle wait here until the program has them: in order, each order for
// itself, stopping at the first that is not taken. Only records; changes of state need the network.
(() => {
  const place = document.getElementById("queue");
  if (!place || !window.indexedDB) {
    return;
  }
  const { person, worker } = place.dataset;
  const state = place.querySelector(".queue-state");
  const list = place.querySelector(".queue-entries");
  const NO_NETWORK = "No network: what you record is kept on this phone and sent later.";
  const SIGNED_OUT = "You were signed out. Nothing is lost: sign in again as the same person.";
  const UNSHOWN = new Set(["kind", "client_key", "job", "whole", "fastener", "performed_at"]);
  const READ_MS = 8000; // what was taken is said for so long
  let sending = false;
  let leaving = 0;

  // --- the store -----------------------------------------------------------------------------
  const opened = new Promise((resolve, reject) => {
    const asked = indexedDB.open("sumpwise", 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("records", { keyPath: "id", autoIncrement: true });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });

  async function store(mode, ask) {
    const base = await opened;
    return new Promise((resolve, reject) => {
      const change = base.transaction("records", mode);
      const asked = ask(change.objectStore("records"));
      change.oncomplete = () => resolve(asked.result);
      change.onerror = () => reject(change.error);
    });
  }

  const all = () => store("readonly", (records) => records.getAll());
  const put = (entry) => store("readwrite", (records) => records.put(entry));
  const drop = (id) => store("readwrite", (records) => records.delete(id));

  // --- taking a record -----------------------------------------------------------------------
  function key() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  async function take(form, button) {
    const data = new FormData(form);
    if (button && button.name) {
      data.set(button.name, button.value);
    }
    data.delete("csrfmiddlewaretoken");
    if (!form.dataset.entry) {
      data.set("client_key", key());
      data.set("performed_at", new Date().toISOString());
    }
    const entry = { person, address: form.getAttribute("action"), words: form.dataset.words };
    entry.fields = Array.from(data.entries());
    entry.stopped = null;
    if (form.dataset.entry) {
      entry.id = Number(form.dataset.entry);
    }
    await put(entry);
    clear(form);
    await flush();
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
      take(form, event.submitter).catch((fault) => say(`This phone could not keep it: ${fault}`));
    } else if (form.matches("[data-change]") && !navigator.onLine) {
      event.preventDefault();
      say("This changes the state of the order and needs the network. Records do not.");
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

  // --- sending -------------------------------------------------------------------------------
  async function flush() {
    if (sending) {
      await draw();
      return;
    }
    sending = true;
    let said = "";
    let kept = 0;
    let asked = false;
    try {
      const halted = new Set();
      let next = await first(halted);
      while (next) {
        const answer = await send(next);
        said = answer.said || said;
        if (answer.halt) {
          break;
        }
        kept += answer.kept ? 1 : 0;
        asked = asked || Boolean(answer.asked);
        next = await first(halted);
      }
    } finally {
      sending = false;
    }
    await draw(said);
    if (asked) {
      place.scrollIntoView({ block: "start" });
    }
    if (kept) {
      await refresh();
    }
  }

  // the oldest record of an order in which nothing is stopped
  async function first(halted) {
    for (const entry of await all()) {
      if (entry.person !== person || halted.has(entry.address)) {
        continue;
      }
      if (!entry.stopped) {
        return entry;
      }
      halted.add(entry.address);
    }
    return null;
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
      return { halt: true, said: NO_NETWORK };
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
      await put({ ...entry, stopped: { said, here: told.here, html: told.html } });
      return { asked: true, said: "The program asks back; the records behind it wait." };
    }
    const trouble = "That did not work; nothing is lost. Load the page again.";
    return { halt: true, said: told.said || trouble };
  }

  function cookie(name) {
    const found = document.cookie.split("; ").find((one) => one.startsWith(`${name}=`));
    return found ? decodeURIComponent(found.slice(name.length + 1)) : "";
  }

  // bring what is recorded on this page up to date, and leave what is half typed alone
  async function refresh() {
    const answer = await fetch(window.location.href).catch(() => null);
    if (!answer || !answer.ok || answer.redirected) {
      return;
    }
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.querySelectorAll("[data-fresh]").forEach((old) => {
      const other = fresh.getElementById(old.id);
      if (other) {
        old.replaceWith(document.adoptNode(other));
      }
    });
  }

  // --- showing -------------------------------------------------------------------------------
  function say(text) {
    state.textContent = text;
    place.hidden = false;
  }

  async function draw(said = "") {
    const entries = await all();
    const own = entries.filter((entry) => entry.person === person);
    const others = entries.length - own.length;
    const parts = [said];
    if (own.length) {
      parts.push(`${own.length} record${own.length === 1 ? "" : "s"} not sent yet.`);
    }
    if (others) {
      parts.push(`${others} more wait for the person who made them to sign in.`);
    }
    state.textContent = parts.filter(Boolean).join(" ");
    list.replaceChildren(...own.map(line));
    place.querySelector(".queue-send").hidden = !own.length;
    place.hidden = !state.textContent;
    clearTimeout(leaving);
    if (!entries.length) {
      leaving = setTimeout(() => {
        place.hidden = true;
      }, READ_MS);
    }
  }

  function line(entry) {
    const item = document.createElement("li");
    const sent = entry.fields.filter(([name, value]) => !UNSHOWN.has(name) && value);
    const yours = sent.map(([name, value]) => `${name.replaceAll("_", " ")} ${value.name || value}`);
    item.append(paragraph(`${entry.words || "Record"}: ${yours.join(", ")}`));
    if (entry.stopped) {
      item.append(...stopped(entry));
    }
    return item;
  }

  function stopped(entry) {
    const parts = [];
    if (entry.stopped.html) {
      const box = document.createElement("div");
      box.innerHTML = entry.stopped.html;
      box.querySelector("form").dataset.entry = entry.id;
      parts.push(box);
    } else {
      parts.push(paragraph(`The program: ${entry.stopped.said} ${entry.stopped.here || ""}`));
      parts.push(
        button("Try again", async () => {
          await put({ ...entry, stopped: null });
          await flush();
        }),
      );
    }
    parts.push(
      button("Throw this record away", async () => {
        await drop(entry.id);
        await flush();
      }),
    );
    return parts;
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
    made.addEventListener("click", act);
    return made;
  }

  // --- at hand without a network -------------------------------------------------------------
  async function keepAtHand() {
    if (!worker || !navigator.serviceWorker) {
      return;
    }
    const controlled = Boolean(navigator.serviceWorker.controller);
    await navigator.serviceWorker.register(worker);
    await navigator.serviceWorker.ready;
    if (!controlled) {
      await controlTaken();
      const files = document.querySelectorAll("link[rel=stylesheet], link[rel=icon], script[src]");
      const wanted = [window.location.href, ...Array.from(files, (one) => one.href || one.src)];
      await Promise.allSettled(wanted.map((address) => fetch(address)));
    }
    const cards = Array.from(document.querySelectorAll("[data-card]"), (one) => one.href);
    await Promise.allSettled(cards.map((address) => fetch(address)));
    place.dataset.atHand = "yes";
  }

  function controlTaken() {
    return new Promise((resolve) => {
      if (navigator.serviceWorker.controller) {
        resolve();
      }
      navigator.serviceWorker.addEventListener("controllerchange", resolve, { once: true });
    });
  }

  place.querySelector(".queue-send").addEventListener("click", flush);
  window.addEventListener("online", flush);
  flush();
  keepAtHand().catch(() => {});
})();
