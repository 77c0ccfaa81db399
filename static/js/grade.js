// Paints marks on the bed map without sending the form for each tap. Without
// this script every tap is a form sent, and the server paints the same way.
"use strict";

const form = document.querySelector("[data-grade-form]");
const bed = document.querySelector("[data-bed]");
if (form instanceof HTMLFormElement && bed instanceof HTMLElement) {
  const marksField = form.elements.namedItem("marks");
  const bareField = form.elements.namedItem("bare");
  const said = document.querySelector("[data-said]");
  const brushes = [...form.querySelectorAll("input[name=brush]")];
  const zones = [...bed.querySelectorAll(".zone")];
  const columns = Number(bed.dataset.cols);
  const strength = ["", "slight", "clear", "strong"];
  const words = new Map(brushes.map((b) => [b.value, b.dataset.short]));
  const letters = () => document.documentElement.dataset.keys !== "off";
  const say = (text) => { said.textContent = ""; said.textContent = text; };
  const chosen = () => brushes.find((b) => b.checked)?.value ?? "";

  // zone code → marks, in the order of records; "bare" zones have none.
  const state = new Map(zones.map((z) => [z.dataset.zone, { bare: false, marks: new Map() }]));
  for (const word of marksField.value.split(" ").filter(Boolean)) {
    const [zone, mark, severity] = word.split(":");
    state.get(zone)?.marks.set(mark, Number(severity));
  }
  for (const zone of bareField.value.split(" ").filter(Boolean)) if (state.has(zone)) state.get(zone).bare = true;

  const show = (zone) => {
    const { bare, marks } = state.get(zone.dataset.zone);
    zone.classList.toggle("bare", bare);
    zone.dataset.mark = [...marks.keys()].sort()[0] ?? "";
    const parts = [...marks].sort().map(([mark, severity]) => {
      const part = document.createElement("span");
      part.className = "seen";
      part.dataset.severity = String(severity);
      part.dataset.seen = mark;
      part.textContent = `${words.get(mark) ?? mark}, ${strength[severity]}`;
      return part;
    });
    if (parts.length === 0) {
      const none = document.createElement("span");
      none.className = bare ? "seen" : "for-ears";
      none.textContent = bare ? "nothing printed" : "no mark";
      parts.push(none);
    }
    zone.querySelector(".marks").replaceChildren(...parts);
    marksField.value = [...state].sort().flatMap(([z, s]) => [...s.marks].sort().map(([m, n]) => `${z}:${m}:${n}`)).join(" ");
    bareField.value = [...state].filter(([, s]) => s.bare).map(([z]) => z).sort().join(" ");
    const now = parts.map((p) => p.textContent).join("; ");
    say(`${zone.dataset.zone}, ${zone.dataset.place}: ${now}`);
  };

  const blank = (zone) => {
    const s = state.get(zone.dataset.zone);
    s.bare = !s.bare;
    s.marks.clear();
    show(zone);
  };

  // set puts a mark at a strength; without one the next: slight, clear, strong, none.
  const set = (zone, severity) => {
    const mark = chosen();
    const s = state.get(zone.dataset.zone);
    if (mark === "not_printed") return severity === undefined ? blank(zone) : say("Choose a mark first.");
    if (mark === "") return say("Choose a mark first, then tap the zones that show it.");
    const next = severity ?? ((s.marks.get(mark) ?? 0) + 1) % 4;
    if (next === 0) s.marks.delete(mark);
    else if (!s.marks.has(mark) && s.marks.size >= 2) return say(`Zone ${zone.dataset.zone} has two marks. Take one off first: choose it and tap until it is gone.`);
    else { s.bare = false; s.marks.set(mark, next); }
    show(zone);
  };

  // The map is one stop of the Tab key; arrows move within it.
  const focusOn = (zone, move) => {
    for (const z of zones) z.tabIndex = z === zone ? 0 : -1;
    if (move) zone.focus();
  };
  focusOn(zones[zones.length - columns], false);
  bed.addEventListener("focusin", (event) => { if (zones.includes(event.target)) focusOn(event.target, false); });
  bed.addEventListener("click", (event) => {
    const zone = event.target instanceof Element && event.target.closest(".zone");
    if (!zone) return;
    event.preventDefault();
    set(zone);
  });
  bed.addEventListener("keydown", (event) => {
    const at = zones.indexOf(event.target);
    if (at < 0 || event.ctrlKey || event.metaKey || event.altKey) return;
    const mirrored = getComputedStyle(bed).direction === "rtl";
    const side = { ArrowLeft: mirrored ? 1 : -1, ArrowRight: mirrored ? -1 : 1 }[event.key];
    const up = { ArrowUp: -columns, ArrowDown: columns }[event.key];
    const key = event.key.toLowerCase();
    if (side !== undefined) {
      const to = at + side;
      if (to >= 0 && to < zones.length && Math.floor(to / columns) === Math.floor(at / columns)) focusOn(zones[to], true);
    } else if (up !== undefined) {
      if (zones[at + up]) focusOn(zones[at + up], true);
    } else if (event.key === "Enter") {
      form.requestSubmit(form.querySelector("button[value=save]"));
    } else if (letters() && "0123".includes(key) && key.length === 1) {
      set(zones[at], Number(key));
    } else if (letters() && key === "n") {
      blank(zones[at]);
    } else {
      const brush = letters() && brushes.find((b) => b.dataset.key === key);
      if (!brush) return;
      brush.checked = true;
      brush.closest("details")?.setAttribute("open", "");
      say(words.get(brush.value));
    }
    event.preventDefault();
  });
}
