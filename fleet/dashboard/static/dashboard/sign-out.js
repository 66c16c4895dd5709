"use strict";

// Signing out says what still waits on this phone, and happens only when the program says so.
(() => {
  const form = document.querySelector("form.who");
  if (!form) {
    return;
  }
  let sure = false;

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    go().catch((fault) => tell(`That did not work: ${fault}`));
  });

  async function go() {
    const held = window.keptRecords ? await window.keptRecords.all() : [];
    if (held.length && !sure) {
      sure = true;
      tell(
        `This phone still holds ${held.length} record${held.length === 1 ? "" : "s"} that the ` +
          "program does not have. They stay here, and are sent once the person who made them " +
          "signs in again on this phone.",
        "Sign out all the same",
      );
      return;
    }
    let answer;
    try {
      answer = await fetch(form.action, {
        method: "POST",
        body: new FormData(form),
        redirect: "manual",
      });
    } catch {
      tell("No answer from the program: you are still signed in, and everything is kept.");
      return;
    }
    if (answer.type !== "opaqueredirect" && !answer.ok) {
      tell("You are still signed in: load the page again, then sign out.");
      return;
    }
    sessionStorage.clear();
    window.location.assign("/");
  }

  function tell(text, button) {
    document.querySelector(".sign-out-said")?.remove();
    const box = document.createElement("div");
    box.className = "sign-out-said notice notice-warning";
    box.setAttribute("role", "alert");
    const words = document.createElement("p");
    words.textContent = text;
    box.append(words);
    if (button) {
      const made = document.createElement("button");
      made.type = "button";
      made.textContent = button;
      made.addEventListener("click", () => form.requestSubmit());
      box.append(made);
    }
    document.getElementById("main").prepend(box);
    box.scrollIntoView({ block: "nearest" });
  }
})();
