"use strict";

// Keeps the page and the job cards of the day at hand, for when there is no network.
(() => {
  const place = document.getElementById("queue");
  const worker = place && place.dataset.worker;

  // without a network this is what the program said earlier
  function sayFromWhen() {
    const { keptAt } = document.body.dataset;
    if (keptAt === undefined || !place) {
      return;
    }
    const at = new Date(keptAt);
    const today = at.toDateString() === new Date().toDateString();
    const shown = today
      ? at.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hourCycle: "h23" })
      : at.toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
    const said = document.createElement("p");
    said.className = "notice notice-warning no-print from-when";
    const when = Number.isNaN(at.getTime()) ? "is from earlier" : `is from ${shown}`;
    said.textContent = `No network: this page ${when}. What changed since is not on it.`;
    place.before(said);
  }

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
    const day = cards.length ? [] : [place.dataset.day]; // a state changed since it was kept
    await Promise.allSettled([...cards, ...day].map((address) => fetch(address)));
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

  sayFromWhen();
  keepAtHand().catch(() => {});
})();
