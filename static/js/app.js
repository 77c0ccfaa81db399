// Everything works without this script. It says when the page is usable, and
// gives a refused form's summary the focus, so that it is read out first.
"use strict";

const summary = document.querySelector("[data-problems]");
if (summary instanceof HTMLElement) summary.focus();

// Open menus close with Escape, which gives the focus back, and with a click
// beside them.
const menus = ".who[open], .areas .more details[open]";
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  for (const menu of document.querySelectorAll(menus)) {
    menu.removeAttribute("open");
    menu.querySelector("summary")?.focus();
  }
});
document.addEventListener("click", (event) => {
  for (const menu of document.querySelectorAll(menus)) {
    if (event.target instanceof Node && !menu.contains(event.target)) menu.removeAttribute("open");
  }
});

// What was saved stands out for ten seconds; the line stays, and so does its undo.
const saved = document.querySelector(".saved");
if (saved) setTimeout(() => saved.classList.add("settled"), 10_000);

// Single keys: ? opens the help, / goes to the search. They are off while somebody writes, and for
// whoever switched them off in the person menu.
document.addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
  if (document.documentElement.dataset.keys === "off") return;
  const at = event.target;
  if (at instanceof HTMLElement && (at.isContentEditable || at.matches("input, select, textarea"))) return;
  const help = document.querySelector('link[rel="help"]');
  if (event.key === "/") {
    const seek = [...document.querySelectorAll("#search-page, [data-seek]")].find((e) => e instanceof HTMLElement && e.offsetParent !== null);
    const link = document.querySelector(".seek-link");
    if (seek instanceof HTMLInputElement) {
      event.preventDefault();
      seek.focus();
      seek.select();
    } else if (link instanceof HTMLAnchorElement) {
      event.preventDefault();
      link.click();
    }
  }
  if (event.key === "?" && help instanceof HTMLLinkElement) location.assign(help.href);
});

// Points of a chart are walked by arrow keys, Home and End, or a tap near one.
// What stands at a point is written below the chart, where it is read out; the
// table says the same without this script.
for (const chart of document.querySelectorAll("[data-walk]")) {
  const readout = document.getElementById(chart.dataset.walk);
  let at = -1;

  const dots = () => {
    const shown = [...chart.querySelectorAll(".plotted")].find((d) => d.getBoundingClientRect().width > 0);
    return shown ? [...shown.querySelectorAll("[data-says]")] : [];
  };
  const go = (list, to) => {
    for (const d of chart.querySelectorAll(".current")) d.classList.remove("current");
    at = Math.max(0, Math.min(list.length - 1, to));
    if (!list[at]) return;
    list[at].classList.add("current");
    readout.textContent = list[at].dataset.says;
  };

  chart.addEventListener("keydown", (e) => {
    if (e.altKey || e.ctrlKey || e.metaKey) return;
    const list = dots();
    const to = { ArrowRight: at + 1, ArrowLeft: at < 0 ? list.length - 1 : at - 1, Home: 0, End: list.length - 1 }[e.key];
    if (to === undefined || !list.length) return;
    e.preventDefault();
    go(list, to);
  });
  chart.addEventListener("click", (e) => {
    let best = -1;
    let near = 40 * 40;
    const list = dots();
    list.forEach((d, i) => {
      const r = d.getBoundingClientRect();
      const far = (r.x + r.width / 2 - e.clientX) ** 2 + (r.y + r.height / 2 - e.clientY) ** 2;
      if (far < near) [near, best] = [far, i];
    });
    if (best >= 0) go(list, best);
  });
}

// A shared tablet: keys for a PIN, large enough for gloves. The field takes typing
// and pasting as well.
const keypad = document.querySelector("[data-keypad]");
const pin = document.getElementById("pin");
if (keypad instanceof HTMLElement && pin instanceof HTMLInputElement) {
  keypad.hidden = false;
  if (matchMedia("(pointer: coarse)").matches) pin.inputMode = "none"; // the keys are there already
  keypad.addEventListener("click", (event) => {
    const digit = event.target instanceof Element && event.target.closest("[data-digit]")?.dataset.digit;
    if (!digit) return;
    pin.value = digit === "back" ? pin.value.slice(0, -1) : pin.value + digit;
  });
}

// Whoever does nothing on a shared tablet went away: it asks who is there. The server
// signs them out by the same time; a form that somebody began stays open.
const idle = Number(document.documentElement.dataset.idle);
if (idle) {
  let last = Date.now();
  let begun = false;
  for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, () => (last = Date.now()));
  document.addEventListener("input", () => (begun = true));
  setInterval(() => {
    const out = document.querySelector(".switch");
    if (!begun && out instanceof HTMLFormElement && Date.now() - last > idle * 1000) out.submit();
  }, 5_000);
}

// A field of tags can take a label's code from the camera, where there is one and the
// page came over a connection that lets it be used.
for (const field of document.querySelectorAll("[data-scan]")) {
  if (!navigator.mediaDevices?.getUserMedia) break;
  const button = document.createElement("button");
  button.type = "button";
  button.className = "button low scan-it";
  button.textContent = "Scan a label";
  button.addEventListener("click", async () => {
    try {
      (await import(field.dataset.scan)).start(field);
    } catch {
      button.textContent = "Scanning needs the network: type the tag";
    }
  });
  field.after(button);
}

// A scanner that types: a label's address and Enter, faster than anybody writes. Beside
// a field it opens what the label names.
let burst = "";
let struck = 0;
document.addEventListener("keydown", (event) => {
  const at = event.target;
  if (at instanceof HTMLElement && (at.isContentEditable || at.matches("input, select, textarea"))) return;
  if (event.timeStamp - struck > 80) burst = "";
  struck = event.timeStamp;
  if (event.key.length === 1) burst += event.key;
  if (burst.startsWith("htt")) { // nobody's fingers: no single-key shortcut
    event.preventDefault();
    event.stopImmediatePropagation();
  }
  const tag = /:\/\/.*\/s\/([^/?#]+)$/.exec(burst);
  if (event.key !== "Enter" || !tag) return;
  burst = "";
  const home = document.querySelector('link[rel="help"]')?.getAttribute("href")?.replace(/\/help.*$/, "") ?? "";
  location.assign(`${home}/s/${tag[1]}`);
}, true);

// The scripts deferred after this one have run then, too.
addEventListener("DOMContentLoaded", () => { document.documentElement.dataset.ready = ""; });
