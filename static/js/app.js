// Everything works without this script. It says when the page is usable, and
// lets "/" jump to the search field where a page has one.
"use strict";

document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey) return;
  const at = event.target;
  if (at instanceof HTMLElement && (at.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(at.tagName))) return;
  const field = document.querySelector("[data-search]");
  if (!(field instanceof HTMLElement)) return;
  event.preventDefault();
  field.focus();
});

// A refused form: the summary takes the focus, so that it is read out first.
const summary = document.querySelector("[data-problems]");
if (summary instanceof HTMLElement) summary.focus();

document.documentElement.dataset.ready = "";
