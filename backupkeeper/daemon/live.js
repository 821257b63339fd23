"use strict";
// The live page: takes over pieces as the daemon sends them, and asks for what a button says.
// All words come from the daemon; this only puts them in their places.

const SILENT_MS = 20_000; // the daemon's page says every five seconds that it is alive
const PARTS = ["live-now", "live-cards", "live-peace", "live-said"];
let feed = null;
let heard = 0;
let asking = null;

function fill(parts) {
  for (const [id, source] of Object.entries(parts)) {
    const place = document.getElementById(id);
    if (place === null || place.dataset.source === source) continue;
    const held = document.activeElement;
    const wanted = held !== null && place.contains(held) ? { ...held.dataset } : null;
    place.dataset.source = source;
    place.innerHTML = source; // made of elements by report/html.py; the policy lets no script in
    if (wanted !== null) focusAgain(place, wanted);
  }
}

function focusAgain(place, wanted) {
  const buttons = [...place.querySelectorAll("button")];
  const same = buttons.find((one) => one.dataset.do === wanted.do && one.dataset.card === wanted.card);
  const near = same ?? buttons.find((one) => one.dataset.card === wanted.card);
  if (near !== undefined) near.focus();
}

async function renew() {
  const answer = await fetch("./");
  if (!answer.ok) return;
  const made = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = made.getElementById("report");
  const stale = document.getElementById("report");
  if (fresh === null || stale === null) return;
  const open = [...stale.querySelectorAll("details[open][id]")].map((one) => one.id);
  stale.replaceWith(fresh);
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  document.title = made.title;
}

async function ask(button) {
  if (asking !== null) return;
  asking = button;
  button.disabled = true;
  const { do: what, card, hours, uploads } = button.dataset;
  const wish = { do: what, card, uploads: uploads === "1" };
  if (hours !== undefined) wish.hours = Number(hours);
  try {
    const answer = await fetch("ask", {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify(wish),
    });
    say(answer.ok ? "" : await answer.text());
  } catch {
    say("The daemon does not answer.");
  }
  button.disabled = false;
  asking = null;
}

function say(words) {
  const line = document.getElementById("live-word");
  if (line !== null) line.textContent = words;
}

function listen() {
  if (feed !== null) feed.close();
  heard = performance.now();
  feed = new EventSource("feed");
  feed.addEventListener("open", () => { heard = performance.now(); });
  feed.addEventListener("alive", () => { heard = performance.now(); });
  feed.addEventListener("parts", (event) => {
    heard = performance.now();
    say("");
    fill(JSON.parse(event.data));
  });
  feed.addEventListener("report", renew);
  feed.addEventListener("error", lose);
}

// A yes must not stay where nobody can say any more that it still holds.
function lose() {
  for (const id of PARTS) {
    const place = document.getElementById(id);
    if (place === null) continue;
    place.replaceChildren();
    delete place.dataset.source;
  }
  say("Not in touch with the daemon: what stands below may be old. If that stays, type: backupkeeper page");
}

function listenAgain() {
  if (performance.now() - heard <= SILENT_MS) return;
  lose();
  listen();
}

listen();
setInterval(listenAgain, 1000);
document.addEventListener("visibilitychange", listenAgain);
document.addEventListener("click", (event) => {
  const button = event.target instanceof Element ? event.target.closest("button[data-do]") : null;
  if (button !== null) ask(button);
});
