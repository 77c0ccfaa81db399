// Walks the points of a chart: arrow keys, Home and End, or a tap near one. What
// stands at a point is written below the chart, where it is read out. Without
// this script the table below says the same.
"use strict";

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
