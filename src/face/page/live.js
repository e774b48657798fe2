// Renews what is marked data-live without a reload, the slow parts only now and then. Elements that stay
// keep their place, so that focus, selection and a reader's position are not lost.
"use strict";
(() => {
  const FAST = 2000, SLOW_EVERY = 15, PATIENCE = 15000;
  const line = document.getElementById("liveness");
  if (!line) return;
  const button = document.createElement("button");
  button.type = "button";
  const said = document.createElement("span");
  line.replaceChildren(button, " ", said);
  let paused = false, round = 0, lost = false;

  const say = () => {
    button.textContent = paused ? "Go on renewing" : "Pause renewing";
    const words = paused ? "This page stands still." : lost ? "The daemon cannot be reached: this page shows how things stood last." : "";
    if (said.textContent !== words) said.textContent = words;
    document.body.classList.toggle("stale", lost);
  };

  const morph = (old, fresh) => {
    if (old.nodeType !== fresh.nodeType || old.nodeName !== fresh.nodeName) {
      old.replaceWith(fresh.cloneNode(true));
      return;
    }
    if (old.nodeType !== Node.ELEMENT_NODE) {
      if (old.nodeValue !== fresh.nodeValue) old.nodeValue = fresh.nodeValue;
      return;
    }
    for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name)) old.removeAttribute(name);
    for (const { name, value } of fresh.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
    const before = [...old.childNodes], after = [...fresh.childNodes];
    after.forEach((node, place) => {
      if (place < before.length) morph(before[place], node);
      else old.append(node.cloneNode(true));
    });
    before.slice(after.length).forEach((node) => node.remove());
  };

  const renew = async () => {
    const wantsSlow = round % SLOW_EVERY === 0 && document.querySelector('[data-live="slow"]');
    const address = new URL(location.href);
    address.hash = "";
    if (!wantsSlow) address.searchParams.set("part", "now");
    const answer = await fetch(address, { headers: { Accept: "text/html" }, signal: AbortSignal.timeout(PATIENCE) });
    if (!answer.ok) throw new Error(String(answer.status));
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const part of fresh.querySelectorAll("[data-live]")) {
      const old = document.getElementById(part.id);
      if (old) morph(old, part);
    }
    if (document.title !== fresh.title) document.title = fresh.title;
  };

  const step = async () => {
    if (!paused && !document.hidden) {
      round += 1;
      try {
        await renew();
        lost = false;
      } catch {
        lost = true;
      }
      say();
    }
    setTimeout(step, lost ? 3 * FAST : FAST);
  };

  button.addEventListener("click", () => {
    paused = !paused;
    say();
  });
  say();
  setTimeout(step, FAST);
})();
