// The little that the pages do by themselves: a photo once chosen is sent, and cells are tapped.
"use strict";

document.documentElement.classList.add("js");

// Going back, or loading anew, may put back what the form held before.
const returned = performance.getEntriesByType("navigation")[0]?.type !== "navigate";

for (const form of document.querySelectorAll("form[data-wait]")) {
  const shots = form.querySelectorAll("input[type=file]");
  const said = form.querySelector(".wait");
  const send = (shot) => {
    if (!shot.files.length) return;
    // Only one of the two places a photo can come from is sent.
    for (const other of shots) {
      if (other !== shot) { other.value = ""; other.disabled = true; }
      other.required = other === shot;
    }
    // A photo that would be refused at its end is not sent first.
    if (shot.files[0].size > Number(form.dataset.most)) {
      said.textContent = "This file is too large: send one photo as the phone's camera makes it.";
      return;
    }
    if (form.reportValidity()) form.requestSubmit();
  };
  for (const shot of shots) {
    shot.addEventListener("change", () => send(shot));
    // Chosen before this script had come: nothing else would send it.
    if (!returned) send(shot);
  }
  form.addEventListener("submit", () => {
    said.textContent = form.dataset.wait;
    for (const button of form.querySelectorAll("button")) button.disabled = true;
  });
  // Going back shows the form as it was left: the same photo can be chosen and sent again.
  window.addEventListener("pageshow", (event) => {
    if (!returned && !event.persisted) return;
    said.textContent = "";
    for (const shot of shots) shot.value = "";
    for (const part of form.querySelectorAll("button, input[type=file]")) part.disabled = false;
  });
}

for (const tally of document.querySelectorAll(".tally")) {
  const number = document.getElementById("n");
  tally.hidden = false;
  for (const button of tally.querySelectorAll("button")) {
    button.addEventListener("click", () => {
      const now = Number(number.value || 0) + Number(button.dataset.step);
      number.value = String(Math.min(5000, Math.max(0, now)));
    });
  }
}
