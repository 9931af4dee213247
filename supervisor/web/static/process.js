// Sends what people made of advice, or that a gauge study is to end. An answer takes two presses, the second within ARMED_MS; then the page is loaded anew.
"use strict";

const ARMED_MS = 5000;
const said = document.getElementById("said");
const by = document.getElementById("by");
let armed = null;

function say(text) {
  said.textContent = text;
  said.hidden = false;
}

function disarm() {
  if (!armed) return;
  armed.button.textContent = armed.text;
  armed.button.classList.remove("armed");
  armed = null;
}

function newKey() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

async function send(button, key) {
  const answer = await fetch(button.dataset.address, {
    method: "POST",
    headers: { "Content-Type": "application/json", "Idempotency-Key": key },
    // An undefined advice is left out.
    body: JSON.stringify({ advice: button.dataset.advice, by: by.value.trim() }),
  });
  if (answer.ok) {
    location.reload();
    return;
  }
  const problem = await answer.json();
  say(`${problem.title}: ${problem.detail}. ${problem.fix}`);
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-address]");
  if (!button) return;
  if (!by.value.trim()) {
    say("Give your name first.");
    by.focus();
    return;
  }
  if (armed && armed.button === button && performance.now() < armed.until) {
    const key = armed.key;
    disarm();
    send(button, key).catch(() => say("The supervisor did not answer. Look whether it was taken, then press again."));
    return;
  }
  disarm();
  armed = { button, text: button.textContent, key: newKey(), until: performance.now() + ARMED_MS };
  button.textContent = `Press again: ${armed.text}`;
  button.classList.add("armed");
});

try {
  by.value = localStorage.getItem("by") || "";
  by.addEventListener("change", () => localStorage.setItem("by", by.value));
} catch {
  // A browser that keeps nothing asks for the name each time.
}
