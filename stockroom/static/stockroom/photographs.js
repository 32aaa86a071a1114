/* Sends many photographs a few at a time, so that a phone shows how far it is and a lost connection loses
   little; and fetches those that were being prepared. Without it the form sends them all in one go. */
"use strict";

(() => {
  const AT_ONCE = 10, BYTES_AT_ONCE = 40e6, LOOK_AGAIN_MS = 3000;
  const form = document.querySelector("form[data-photographs]");

  const photographs = (number) => (number === 1 ? "1 photograph" : `${number} photographs`);

  /* What waits on the page, until nothing waits. A tick that is not yet saved is left alone. */
  async function refresh() {
    const shown = document.getElementById("shown");
    const answer = await fetch(window.location.href).catch(() => null);
    if (answer && answer.ok) {
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("shown");
      const ticked = [...shown.querySelectorAll("input[name=public]")].some((box) => box.checked !== box.defaultChecked);
      if (fresh && !ticked) shown.replaceWith(fresh);
    }
    lookAgain();
  }
  function lookAgain() {
    if (Number(document.getElementById("shown").dataset.waiting)) setTimeout(refresh, LOOK_AGAIN_MS);
  }
  lookAgain();
  if (!form) return;

  const status = form.querySelector("[data-status]");
  const bar = form.querySelector("progress");
  const list = form.querySelector("[data-refused]");
  const button = form.querySelector("button");
  let left = null; // chosen and not yet sent; null until the first sending

  const chosen = () => [...form.querySelectorAll("input[type=file]")].flatMap((input) => [...input.files]);

  function next(files) {
    const batch = [];
    let bytes = 0;
    while (files.length > batch.length && batch.length < AT_ONCE) {
      bytes += files[batch.length].size;
      if (batch.length && bytes > BYTES_AT_ONCE) break;
      batch.push(files[batch.length]);
    }
    return batch;
  }

  async function send(batch) {
    const body = new FormData();
    body.append("csrfmiddlewaretoken", form.elements.csrfmiddlewaretoken.value);
    batch.forEach((file) => body.append("files", file));
    const answer = await fetch(form.action, { method: "POST", body, headers: { Accept: "application/json" } });
    if (!answer.ok || answer.redirected) throw new Error(answer.status);
    return answer.json();
  }

  function tell(kind, text) {
    const item = document.createElement("li");
    item.className = kind;
    item.textContent = text;
    list.append(item);
    list.hidden = false;
  }

  form.addEventListener("change", (event) => {
    left = null;
    if (event.target.id === "camera" && event.target.files.length) form.requestSubmit();
  });

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    event.stopPropagation();
    if (button.disabled) return;
    if (!left) { left = chosen(); list.replaceChildren(); list.hidden = true; }
    const all = left.length;
    if (!all) { status.textContent = "Take a photograph or choose some first."; return; }
    if (all > Number(form.dataset.most)) {
      status.textContent = `You chose ${all}; at most ${form.dataset.most} go at once. Choose fewer.`;
      left = null;
      return;
    }
    button.disabled = true;
    bar.hidden = false;
    bar.max = all;
    let taken = 0;
    try {
      while (left.length) {
        bar.value = all - left.length;
        status.textContent = `Sending: ${bar.value} of ${all} are there.`;
        const batch = next(left);
        const received = await send(batch);
        left = left.slice(batch.length);
        taken += received.queued.length + received.known.length;
        received.refused.forEach((reason) => tell("error", reason));
        if (received.already.length) tell("warning", `Here already, and not stored twice: ${received.already.join(", ")}.`);
      }
      status.textContent = `${photographs(taken)} received.`;
      left = null;
      form.reset();
      // With a scanner on the desk the next label comes now; on a phone this would only raise the keyboard.
      if (window.matchMedia("(pointer: fine)").matches) document.getElementById("to").focus();
    } catch (trouble) {
      status.textContent = `Stopped after ${all - left.length} of ${all}: the shop did not answer. Press Send for the rest.`;
    }
    button.disabled = false;
    bar.hidden = true;
    refresh();
  });
})();
