// Everything works without this script. It says when the page is usable, and
// gives a refused form's summary the focus, so that it is read out first.
"use strict";

const summary = document.querySelector("[data-problems]");
if (summary instanceof HTMLElement) summary.focus();

document.documentElement.dataset.ready = "";
