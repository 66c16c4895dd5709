"use strict";

// Where records made at the vehicle are kept on this phone until the program has them.
window.keptRecords = (() => {
  if (!window.indexedDB) {
    return null;
  }
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

  return {
    all: () => store("readonly", (records) => records.getAll()),
    put: (entry) => store("readwrite", (records) => records.put(entry)),
    drop: (id) => store("readwrite", (records) => records.delete(id)),
  };
})();
