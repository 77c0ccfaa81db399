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

// Single keys: ? opens the help. They are off while somebody writes, and for
// whoever switched them off in the person menu.
document.addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
  if (document.documentElement.dataset.keys === "off") return;
  const at = event.target;
  if (at instanceof HTMLElement && (at.isContentEditable || at.matches("input, select, textarea"))) return;
  const help = document.querySelector('link[rel="help"]');
  if (event.key === "?" && help instanceof HTMLLinkElement) location.assign(help.href);
});

document.documentElement.dataset.ready = "";
