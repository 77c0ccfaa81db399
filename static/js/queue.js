// Lists what waits on this device: refused entries with the reason, to be mended
// or given up; waiting ones; those given up.
"use strict";

(() => {
  const box = window.outbox;
  const root = document.documentElement;
  const state = document.querySelector("[data-queue-state]");
  const acts = document.querySelector("[data-queue-acts]");
  const halts = {
    "sign-in": "Sign in to send: nobody is signed in on this device, or the sign-in ran out.",
    person: "What another person recorded waits until that person, or a manager, signs in here.",
    network: "No network. It is tried again by itself.",
    revoked: "This device was a shared tablet and was revoked. Nothing is sent by itself: look at the entries, then send them with the button.",
    busy: "The farm’s server is busy or starting. It is tried again by itself.",
  };
  const names = { started_at: "Started", graded_at: "Graded at", cleaned_at: "Cleaned at", probed_at: "Probed at", fitted_at: "Fitted at", placed_at: "Placed at", released_at: "Released at", at: "At", plate_side: "Side", plate_turned: "Turned by 180°", noted_by: "Noted by", subject_kind: "Kind of subject", bed_temp_c: "Bed temperature, °C", nudge_mm: "Nudge, mm" };
  const word = (name) => names[name] ?? (name[0].toUpperCase() + name.slice(1)).replaceAll("_", " ");
  const open = new Set(); // forms somebody is writing in: they stay as they are

  let tried = new Set(); // entries that were sent and not answered for
  const entry = (e, kind) => {
    const li = document.querySelector("template[data-queue-entry]").content.firstElementChild.cloneNode(true);
    const find = (name) => li.querySelector(`[data-entry-${name}]`);
    li.dataset.n = e.n;
    li.dataset.id = e.id;
    find("words").textContent = e.words;
    find("when").textContent = `${new Date(e.kept).toLocaleString("sv-SE").slice(0, 16)}, ${e.person || "nobody"}${e.skew ? `; this device’s clock was ${Math.abs(Math.round(e.skew / 1000))} s ${e.skew > 0 ? "ahead" : "behind"}` : ""}`;
    const why = find("why");
    if (kind === "refused") {
      why.hidden = false;
      const { title = "Refused", detail = "", problems = [] } = e.error ?? {};
      const found = problems.filter((p) => p.expected).map((p) => `${word((p.pointer ?? "").split("/")[3] || "record")}: found ${p.found || "nothing"}, expected ${p.expected}`);
      why.textContent = `Refused — because: ${found.length ? found.join("; ") : detail || title}`;
    } else if (kind === "gone") {
      why.hidden = false;
      why.textContent = `Given up: ${e.reason}`;
      return li;
    } else if (tried.has(e.n) || e.state === "after") {
      find("when").textContent += e.state === "after" ? "; recorded, its picture waits" : "; tried, no answer yet";
    }
    // One that was sent without an answer may be recorded already.
    const give = find("give-up");
    give.hidden = kind === "waiting" && tried.has(e.n);
    give.querySelector("input").id = `g-${e.n}`;
    give.querySelector("label").htmlFor = `g-${e.n}`;
    give.querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      open.delete(e.n);
      box.giveUp(e.n, new FormData(event.target).get("reason"));
    });
    if (kind === "refused" && e.record.kind !== "form") mend(find("mend"), e);
    for (const d of li.querySelectorAll("details")) d.addEventListener("toggle", () => { if (d.open) open.add(e.n); else open.delete(e.n); });
    return li;
  };

  const mend = (part, e) => {
    part.hidden = false;
    const fields = part.querySelector("[data-entry-fields]");
    const wrong = new Map((e.error?.problems ?? []).map((p) => [(p.pointer ?? "").split("/")[3] ?? "", `found ${p.found || "nothing"}, expected ${p.expected}`]));
    for (const name of new Set([...Object.keys(e.record), ...[...wrong.keys()].filter(Boolean)])) {
      if (name === "kind" || name === "id") continue;
      const id = `m-${e.n}-${name}`;
      const value = e.record[name] ?? "";
      const div = document.createElement("div");
      div.className = wrong.has(name) ? "field wrong-field" : "field";
      const label = Object.assign(document.createElement("label"), { htmlFor: id, textContent: word(name) });
      const input = Object.assign(document.createElement("input"), { id, name, value: typeof value === "string" ? value : JSON.stringify(value), autocomplete: "off", spellcheck: false });
      div.append(label);
      if (wrong.has(name)) div.append(Object.assign(document.createElement("span"), { className: "wrong", textContent: wrong.get(name) }));
      div.append(input);
      fields.append(div);
    }
    part.querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      const record = { kind: e.record.kind, id: e.error?.status === 409 ? box.uuid7() : e.record.id };
      for (const [name, value] of new FormData(event.target)) if (value.trim() !== "") record[name] = typeof e.record[name] === "object" ? JSON.parse(value) : value.trim();
      open.delete(e.n);
      box.change(e.n, record);
    });
  };

  const show = async () => {
    if (box.off) return;
    const all = await box.list();
    tried = new Set(await box.meta("tried"));
    const db = await box.open();
    const gone = (await db.getAll("gone")).reverse().slice(0, 100);
    const parts = { refused: all.filter((e) => e.state === "refused"), waiting: all.filter((e) => e.state !== "refused"), gone };
    for (const [kind, entries] of Object.entries(parts)) {
      const part = document.querySelector(`[data-queue-part="${kind}"]`);
      const list = part.querySelector("[data-queue-list]");
      const old = new Map([...list.children].map((li) => [Number(li.dataset.n), li]));
      list.replaceChildren(...entries.slice(0, 500).map((e) => open.has(e.n) && old.get(e.n) ? old.get(e.n) : entry(e, kind)));
      list.hidden = entries.length === 0;
      if (kind !== "waiting") part.hidden = entries.length === 0;
      else part.querySelector("[data-queue-empty]").hidden = entries.length > 0;
    }
    acts.hidden = all.length === 0;
    const last = await box.meta("last");
    const said = [];
    if (all.length && last?.halt) said.push(halts[last.halt]);
    if (box.skew) said.push(`This device’s clock is ${Math.abs(Math.round(box.skew / 1000))} s ${box.skew > 0 ? "ahead of" : "behind"} the farm’s; times are taken by the farm’s.`);
    if (all.length && navigator.storage?.persisted && !(await navigator.storage.persisted())) said.push("This browser may clear its store when the device runs out of room, some after a week without use. Send soon, or put the app on the home screen.");
    state.hidden = said.length === 0;
    const words = said.join(" ");
    if (state.textContent !== words) state.textContent = words;
    acts.querySelector("[data-queue-sign-in]").hidden = !(last && (last.halt === "sign-in" || last.halt === "person"));
    root.dataset.queue = String(all.length);
  };
  document.querySelector("[data-queue-send]").addEventListener("click", () => box.send(true));
  addEventListener("outbox", show);
  show();
})();
