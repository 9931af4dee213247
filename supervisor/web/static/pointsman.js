// Keeps the page up to date and sends people's answers.
// - What the server rendered is taken over node by node, so that focus, typed text and scroll positions stay.
// - Silence for STALE_MS is said aloud: old values must never look like new ones.
// - An answer takes two presses, the second within ARMED_MS.
"use strict";

const STALE_MS = 3000;
const ARMED_MS = 5000;
const SAID_MS = 10000;

const live = document.getElementById("live");
const asOf = document.getElementById("as-of");
const stale = document.getElementById("stale");
const said = document.getElementById("said");
const by = document.getElementById("by");

let heardAt = performance.now();
let armed = null;
let saidUntil = 0;

// --- taking over what the server rendered

function takeAttributes(old, fresh) {
  for (const name of old.getAttributeNames()) {
    if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  }
  for (const name of fresh.getAttributeNames()) {
    if (old.getAttribute(name) !== fresh.getAttribute(name)) old.setAttribute(name, fresh.getAttribute(name));
  }
}

function takeOver(old, fresh) {
  if (old.isEqualNode(fresh) || (armed && old === armed.button)) return;
  if (old.nodeType === Node.TEXT_NODE) {
    old.data = fresh.data;
    return;
  }
  takeAttributes(old, fresh);
  takeChildren(old, fresh);
}

function takeChildren(old, fresh) {
  const named = new Map([...old.children].filter((child) => child.id).map((child) => [child.id, child]));
  let next = old.firstChild;
  for (const child of [...fresh.childNodes]) {
    const sameKind = next && !next.id && !child.id && next.nodeName === child.nodeName;
    const match = child.id ? named.get(child.id) : sameKind ? next : null;
    if (!match || match.nodeName !== child.nodeName) {
      old.insertBefore(child, next);
      continue;
    }
    if (match === next) next = next.nextSibling;
    else old.insertBefore(match, next);
    takeOver(match, child);
  }
  while (next) {
    const gone = next;
    next = next.nextSibling;
    gone.remove();
  }
}

// --- hearing

function heard() {
  heardAt = performance.now();
  document.body.classList.remove("stale");
  stale.hidden = true;
}

function listen() {
  const source = new EventSource("/live");
  source.addEventListener("boot", (event) => {
    if (event.data !== live.dataset.boot) location.reload();
    heard();
  });
  source.addEventListener("now", (event) => {
    const fresh = document.createElement("div");
    fresh.innerHTML = event.data;
    takeChildren(live, fresh);
    heard();
  });
  source.addEventListener("at", (event) => {
    asOf.textContent = event.data;
    heard();
  });
  source.addEventListener("error", () => {
    if (source.readyState === EventSource.CLOSED) setTimeout(listen, STALE_MS);
  });
}

function watch() {
  const now = performance.now();
  if (now - heardAt > STALE_MS && stale.hidden) {
    document.body.classList.add("stale");
    stale.textContent = `No news from the supervisor: all values are as of ${asOf.textContent}.`;
    stale.hidden = false;
  }
  if (armed && now > armed.until) disarm();
  if (!said.hidden && now > saidUntil) said.hidden = true;
}

// --- answering

function say(text) {
  said.textContent = text;
  said.hidden = false;
  saidUntil = performance.now() + SAID_MS;
}

function newKey() {
  return [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

function arm(button) {
  disarm();
  armed = { button, text: button.textContent, key: newKey(), until: performance.now() + ARMED_MS };
  button.textContent = `Press again: ${armed.text}`;
  button.classList.add("armed");
}

function disarm() {
  if (!armed) return;
  armed.button.textContent = armed.text;
  armed.button.classList.remove("armed");
  armed = null;
}

async function send(button, key) {
  const body = { ...JSON.parse(button.dataset.body), by: by.value.trim() };
  if (button.dataset.why) body.why = document.getElementById(button.dataset.why).value.trim();
  const headers = { "Content-Type": "application/json", "Idempotency-Key": key };
  try {
    const response = await fetch(button.dataset.post, { method: "POST", headers, body: JSON.stringify(body) });
    const answer = await response.json();
    say(response.ok ? `Taken at ${asOf.textContent}.` : `${answer.title}: ${answer.detail}. ${answer.fix}`);
  } catch {
    say("The supervisor could not be reached. Nothing was sent.");
  }
}

function pressed(event) {
  const button = event.target.closest("button[data-post]");
  if (!button) return;
  if (!by.value.trim()) {
    say("Write your name first: it goes into the journal with the answer.");
    by.focus();
  } else if (button.dataset.why && !document.getElementById(button.dataset.why).value.trim()) {
    say("Write the reason first: it goes into the journal with the answer.");
    document.getElementById(button.dataset.why).focus();
  } else if (armed && armed.button === button) {
    const key = armed.key;
    disarm();
    send(button, key);
  } else {
    arm(button);
  }
}

by.value = sessionStorage.getItem("by") || "";
by.addEventListener("change", () => sessionStorage.setItem("by", by.value));
by.form.addEventListener("submit", (event) => event.preventDefault());
document.addEventListener("click", pressed);
setInterval(watch, 250);
listen();
