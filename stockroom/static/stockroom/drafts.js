/* What is typed at the bench lies in the browser's own store until the shop says that it is kept.
   It outlives a lost network, the Back key, a log-in and a crash. It comes back with the same `once`, by which the shop
   knows what it has kept already, so that it is sent once however often it is tried (stockroom/site/attempts.py).

   form[data-draft="person serial"][data-shift]   what is typed here is stored under person, serial and shift
   data-returned                                  the shop itself gave back what was typed: leave it so
   [data-drafts="person"][data-shift]             where it is said what is typed and not known to be kept
   ?once=… in the address                         that one is kept: forget it */
"use strict";

(() => {
  const HEAD = "draft ";
  const keys = () => Object.keys(localStorage).filter((key) => key.startsWith(HEAD));
  const read = (key) => { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } };
  const fieldsOf = (form) => [...form.elements].filter((e) => e.name && e.name !== "csrfmiddlewaretoken" && e.type !== "submit");
  const typedIn = (form) => fieldsOf(form).some((e) => e.type !== "hidden" && (e.type === "checkbox" ? e.checked : e.value && e.tagName !== "SELECT"));

  const forgetWhatIsKept = () => {
    const once = new URLSearchParams(location.search).get("once");
    for (const key of keys()) if (once && (read(key) || {}).once === once) localStorage.removeItem(key);
  };

  const store = (form, key) => {
    if (!typedIn(form)) { localStorage.removeItem(key); return; }
    const fields = fieldsOf(form).map((e) => [e.name, e.type === "checkbox" ? e.checked : e.value]);
    const at = new Date().toTimeString().slice(0, 5);
    try { localStorage.setItem(key, JSON.stringify({ at, once: form.elements.once.value, fields })); } catch { /* no room, or not allowed: then it is as without this script */ }
  };

  const bringBack = (form, draft) => {
    for (const [name, value] of draft.fields) {
      const field = form.elements[name];
      if (!field || name === "serial") continue;
      if (field.type === "checkbox") field.checked = value; else field.value = value;
    }
    const said = document.createElement("p");
    said.className = "due";
    said.setAttribute("role", "status");
    said.textContent = `Typed at ${draft.at} and not known to be saved: it is back. Save sends it once.`;
    form.prepend(said);
  };

  const watch = (form) => {
    const key = `${HEAD}${form.dataset.draft} ${form.dataset.shift}`;
    const draft = read(key);
    if (draft && !("returned" in form.dataset) && !typedIn(form)) bringBack(form, draft);
    form.addEventListener("input", () => store(form, key));
    form.addEventListener("submit", () => store(form, key));
    if ("returned" in form.dataset) store(form, key);
  };

  const tell = (place) => {
    const mine = keys().filter((key) => key.startsWith(`${HEAD}${place.dataset.drafts} `));
    const open = document.querySelector("form[data-draft]");
    for (const key of mine) {
      const [serial, shift] = key.slice(`${HEAD}${place.dataset.drafts} `.length).split(" ");
      const draft = read(key);
      if (!draft || (open && open.dataset.draft.endsWith(` ${serial}`))) continue;
      const line = document.createElement("p");
      line.className = "due";
      const link = document.createElement("a");
      link.textContent = serial;
      link.href = `${place.dataset.bench}?serial=${serial}`;
      const typed = draft.fields.filter(([name, value]) => /^s\d/.test(name) && value && value !== true).map(([, value]) => value).join(" ");
      const other = shift === place.dataset.shift ? "" : " in another shift";
      line.append(`Typed at ${draft.at}${other} and not known to be saved: `, link, ` (${typed}) `);
      const forget = document.createElement("button");
      forget.type = "button";
      forget.className = "quiet";
      forget.textContent = "Forget it";
      forget.addEventListener("click", () => { localStorage.removeItem(key); line.remove(); });
      line.append(forget);
      place.append(line);
      place.hidden = false;
    }
  };

  document.addEventListener("DOMContentLoaded", () => {
    forgetWhatIsKept();
    document.querySelectorAll("form[data-draft]").forEach(watch);
    document.querySelectorAll("[data-drafts]").forEach(tell);
  });
})();
