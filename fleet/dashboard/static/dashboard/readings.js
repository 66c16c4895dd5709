"use strict";

(() => {
  const drop = document.querySelector("[data-drop]");
  if (!drop) {
    return;
  }
  const file = drop.querySelector("input[type=file]");
  const sending = document.querySelector(".sending");

  for (const name of ["dragenter", "dragover"]) {
    drop.addEventListener(name, (event) => {
      event.preventDefault();
      drop.classList.add("drop-over");
    });
  }
  for (const name of ["dragleave", "drop"]) {
    drop.addEventListener(name, (event) => {
      event.preventDefault();
      drop.classList.remove("drop-over");
    });
  }
  drop.addEventListener("drop", (event) => {
    if (event.dataTransfer.files.length) {
      file.files = event.dataTransfer.files;
    }
  });

  document.addEventListener("htmx:xhr:progress", (event) => {
    if (event.target.id === "upload-form" && event.detail.lengthComputable) {
      sending.hidden = event.detail.loaded === event.detail.total;
      sending.value = (100 * event.detail.loaded) / event.detail.total;
    }
  });
})();
