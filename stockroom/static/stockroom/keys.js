/* Keyboard and scanner manners. Every page works without this; with it the mouse is not needed.
   "/"                       to the scan box at the top
   Enter in data-enter=next  to the next field; on the last one, or one with data-enter=send, send
   Escape                    to the link with data-escape
   autofocus                 what stands there already is selected: the next scan replaces it
   data-confirm="…"          ask before sending
   data-again                may be sent again from the same page, since what comes back is a file
   data-all="name"           tick or untick every box of that name */
"use strict";

document.addEventListener("keydown", (event) => {
  const at = document.activeElement;
  const typing = at && at.matches("input:not([type=checkbox]):not([type=radio]), textarea, select");
  if (event.key === "/" && !typing && !event.ctrlKey && !event.metaKey && !event.altKey) {
    const find = document.getElementById("find");
    if (find) { event.preventDefault(); find.focus(); find.select(); }
  }
});

document.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || event.isComposing) return;
  const field = event.target;
  const form = field.form;
  if (!form || form.dataset.enter !== "next" || !field.matches("input:not([type=checkbox]):not([type=radio]), select")) return;
  const stops = [...form.elements].filter(
    (e) => e.matches("input:not([type=hidden]):not([type=checkbox]), select") && !e.disabled && e.offsetParent && e.tabIndex >= 0);
  const next = stops[stops.indexOf(field) + 1];
  event.preventDefault();
  if (next && field.dataset.enter !== "send") { next.focus(); if (next.select) next.select(); } else { form.requestSubmit(); }
});

document.addEventListener("keydown", (event) => {
  const link = event.key === "Escape" && document.querySelector("a[data-escape]");
  if (link) link.click();
});

document.addEventListener("submit", (event) => {
  const question = (event.submitter && event.submitter.dataset.confirm) || event.target.dataset.confirm;
  if (question && !window.confirm(question)) { event.preventDefault(); return; }
  // A scanner that fires twice must not send twice.
  if (event.target.method === "post" && !("again" in event.target.dataset)) {
    if (event.target.dataset.sent) { event.preventDefault(); return; }
    event.target.dataset.sent = "1";
  }
});
window.addEventListener("pageshow", () => document.querySelectorAll("form[data-sent]").forEach((f) => delete f.dataset.sent));

document.addEventListener("change", (event) => {
  const name = event.target.dataset && event.target.dataset.all;
  if (name) document.querySelectorAll(`input[type=checkbox][name="${name}"]`).forEach((box) => { box.checked = event.target.checked; });
});

// On a phone the menu starts folded.
document.addEventListener("DOMContentLoaded", () => {
  if (window.matchMedia("(max-width: 46rem)").matches) document.querySelectorAll("details.menu").forEach((m) => m.removeAttribute("open"));
});

document.addEventListener("DOMContentLoaded", () => {
  const first = document.querySelector("input[autofocus]");
  if (first && first.value && first.select) first.select();
});
