"use strict";
/* A tap without signal is kept on this phone with its time, shown as not sent, and delivered once. Without this file the
   forms work all the same, only not without signal. */
const SHELF = "carewatch-taps";
const kept = () => JSON.parse(localStorage.getItem(SHELF) || "[]");
const keep = (taps) => localStorage.setItem(SHELF, JSON.stringify(taps));

function tell() {
  const place = document.getElementById("unsent");
  if (!place) return;
  const count = kept().length;
  place.hidden = count === 0;
  place.textContent = count === 0 ? "" : `Saved on this phone, not sent yet: ${count}. It goes out by itself when there is signal.`;
}

async function post(tap) {
  return fetch(tap.to, {
    method: "POST",
    headers: { "content-type": "application/x-www-form-urlencoded" },
    body: tap.body,
  });
}

let sending = false;
async function flush() {
  if (sending) return;
  sending = true;
  try {
    for (const tap of kept()) {
      let answer;
      try { answer = await post(tap); } catch { break; }
      if (answer.status >= 500) break;
      keep(kept().filter((other) => other.body !== tap.body));
      if (answer.status >= 400) note(await answer.text());
    }
  } finally {
    sending = false;
    tell();
  }
}

function note(html) {
  const page = new DOMParser().parseFromString(html, "text/html");
  const words = [...page.querySelectorAll("main h1, main p")].map((one) => one.textContent).join(" ");
  const place = document.getElementById("refused");
  if (place) { place.hidden = false; place.textContent = `An answer kept on this phone was not taken. ${words}`; }
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("[data-keep]")) return;
  event.preventDefault();
  form.elements.tapped_at.value = new Date().toISOString();
  const told = new URLSearchParams(new FormData(form, event.submitter)).toString();
  const tap = { to: form.getAttribute("action"), body: told };
  try {
    const answer = await post(tap);
    if (answer.status >= 500) throw new Error("later");
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.querySelector("main").replaceWith(page.querySelector("main"));
    document.title = page.title;
    window.scrollTo(0, 0);
  } catch {
    keep([...kept(), tap]);
    tell();
    document.getElementById("unsent").scrollIntoView();
  }
});

addEventListener("online", flush);
addEventListener("load", () => { tell(); flush(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden) flush(); });
if ("serviceWorker" in navigator) navigator.serviceWorker.register("/sw.js");
