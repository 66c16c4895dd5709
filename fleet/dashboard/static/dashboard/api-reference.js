"use strict";

// Draws the schema; nothing is sent from here, as a page to read must not change anything.
document.addEventListener("DOMContentLoaded", () => {
  const place = document.getElementById("api-reference");
  window.SwaggerUIBundle({
    domNode: place,
    url: place.dataset.schema,
    validatorUrl: null,
    supportedSubmitMethods: [],
    docExpansion: "none",
    defaultModelsExpandDepth: -1,
  });
});
