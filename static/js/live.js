// Takes what others change into the open Floor. Nothing moves under a finger:
// words change in their place where they fit there; what would move a row, bring
// a new one or change the order waits behind a line at the bottom. Without this
// script the page is of when it was loaded.
"use strict";

(() => {
  const news = document.querySelector("[data-live]");
  if (!news || !("EventSource" in window)) return;
  const text = news.querySelector("[data-news]");
  const main = document.querySelector("main");
  const quiet = 1500; // ms after a touch in which nothing changes
  const patience = 4000; // ms after which a page that cannot be had is asked for again
  let touched = -Infinity;
  let down = false;
  let due = 0;

  addEventListener("pointerdown", () => { down = true; touched = performance.now(); }, { passive: true });
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => { down = false; touched = performance.now(); }, { passive: true });

  const rows = (root) => new Map([...root.querySelectorAll("[data-printer]")].map((e) => [e.dataset.printer, e]));
  const shape = (row) => row.getBoundingClientRect().height;

  // put takes the new words of a row in; false where they do not fit in its place.
  const put = (old, fresh) => {
    if (old.innerHTML === fresh.innerHTML) return true;
    if (old.tagName === fresh.tagName) {
      const before = [...old.childNodes];
      const focused = [...old.querySelectorAll("a, button")].indexOf(document.activeElement);
      const height = shape(old);
      old.replaceChildren(...fresh.cloneNode(true).childNodes);
      if (Math.abs(shape(old) - height) < 1) {
        old.dataset.state = fresh.dataset.state;
        if (focused >= 0) old.querySelectorAll("a, button")[focused]?.focus({ preventScroll: true });
        return true;
      }
      old.replaceChildren(...before);
      if (focused >= 0) old.querySelectorAll("a, button")[focused]?.focus({ preventScroll: true });
    }
    // The state itself cannot wait: a hold must be seen.
    const was = old.querySelector(".state"), is = fresh.querySelector(".state");
    if (was && is && was.outerHTML !== is.outerHTML) {
      const height = shape(old);
      const copy = is.cloneNode(true);
      was.replaceWith(copy);
      const taller = shape(old) - height;
      if (Math.abs(taller) < 1) old.dataset.state = fresh.dataset.state;
      else if (fresh.dataset.state === "hold") { // what does not fit is cut off; the hold is not
        old.dataset.state = fresh.dataset.state;
        old.style.height = `${height}px`;
        old.style.overflow = "hidden";
      } else copy.replaceWith(was);
    }
    return false;
  };

  const take = (page) => {
    const mine = rows(main), theirs = rows(page);
    let waiting = 0;
    for (const [tag, fresh] of theirs) {
      const old = mine.get(tag);
      if (!old || !put(old, fresh)) waiting++;
    }
    for (const tag of mine.keys()) if (!theirs.has(tag)) waiting++;
    const order = [...mine.keys()].join() !== [...theirs.keys()].join();
    const words = waiting > 0 ? `${waiting} ${waiting === 1 ? "printer has" : "printers have"} changed.` : order ? "The order has changed." : "";
    if (text.textContent !== words) text.textContent = words;
    news.hidden = words === "";
    document.documentElement.dataset.live = String(Date.now());
  };

  const ask = async () => {
    due = 0;
    const still = quiet - (performance.now() - touched);
    if (down || still > 0) return later(Math.max(still, 200));
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html", "Cache-Control": "no-cache" }, cache: "no-store", signal: AbortSignal.timeout(patience) });
      if (!answer.ok || answer.redirected) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main");
      if (!page) return;
      if (down || performance.now() - touched < quiet) return later(quiet);
      take(page);
    } catch {
      later(patience);
    }
  };
  // Two hundred tablets that hear the same do not ask in the same moment.
  const later = (wait) => { if (!due) due = setTimeout(ask, wait); };

  let source;
  const open = () => {
    source = new EventSource(news.dataset.live);
    source.addEventListener("changed", () => later(Math.random() * 500));
  };
  const close = () => { source?.close(); source = undefined; };
  // A page nobody looks at holds no line open.
  document.addEventListener("visibilitychange", () => { if (document.hidden) close(); else if (!source) { open(); later(0); } });
  addEventListener("pagehide", close);
  if (!document.hidden) open();
})();
