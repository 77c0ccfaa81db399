// The page without network: it stands at the address that was asked for, finds
// out which form that is, fills it with what the device knows of the farm and
// keeps what is saved in the outbox.
"use strict";

(() => {
  const root = document.documentElement;
  const base = root.dataset.base ?? "";
  const box = window.outbox;
  const place = document.querySelector("[data-away]");
  const saved = document.querySelector("[data-away-saved]");
  const home = place.innerHTML;
  let kept, me;

  const make = (tag, props = {}, ...children) => {
    const e = Object.assign(document.createElement(tag), props);
    e.append(...children);
    return e;
  };
  const title = (words, lead = "") => {
    document.querySelector("h1").textContent = words;
    document.title = `${words} – Basecourse`;
    document.querySelector("[data-away-lead]").textContent = lead;
  };
  const age = (ms) => {
    const m = Math.max(0, Math.round((box.now() - ms) / 60_000));
    return m < 60 ? `${m} min` : m < 2880 ? `${Math.floor(m / 60)} h ${m % 60} min` : `${Math.floor(m / 1440)} days`;
  };
  const link = (path, words, low = true) => make("a", { className: low ? "button low" : "act", href: base + path, textContent: words });
  const template = (name) => document.querySelector(`template[data-away-form="${name}"]`);
  const list = (id, words) => {
    const l = make("datalist", { id });
    l.append(...words.map((value) => make("option", { value })));
    return l;
  };

  const again = () => {
    const p = make("p", { className: "others" });
    const b = make("button", { type: "button", className: "button low", textContent: "Try the network again" });
    b.addEventListener("click", () => location.reload());
    p.append(b);
    return p;
  };

  const nobody = () => {
    title("Nobody signed in here", "Entries are kept for the person who made them. Sign in once with network; then this device works without it too.");
    place.replaceChildren(again());
  };

  const showHome = () => {
    title("Without network", kept ? `These forms work all the same. What this device knows of the farm is ${age(Date.parse(kept.farm.as_of))} old.` : "These forms work all the same. This device knows nothing of the farm yet: tags are taken as typed.");
    place.innerHTML = home;
    place.prepend(again());
    if (!kept) return;
    const { holds, policies } = kept.farm;
    const part = (words, items) => {
      if (items.length) place.append(make("section", {}, make("h2", { textContent: words }), make("ul", { className: "sentences" }, ...items.map((x) => make("li", { textContent: x })))));
    };
    part("On hold", holds.map((h) => `${h.fields.subject}: ${h.fields.reason || "no record"}`));
    part("Policies", policies);
  };

  const showGradeList = () => {
    title("Grade", "Starts this device knows of that wait to be graded.");
    const form = make("form", { className: "find" });
    form.innerHTML = `<div class="field"><label for="f-printer">Grade on printer</label><span class="hint" id="h-printer">Its tag, typed or scanned, for example P-014.</span><span class="wrong" id="w-printer" role="alert"></span>
      <input id="f-printer" name="printer" maxlength="64" autocomplete="off" autocapitalize="none" spellcheck="false" aria-describedby="h-printer" list="l-printer"></div><button class="button" type="submit">Grade</button>`;
    if (kept) form.append(list("l-printer", kept.farm.printers.map((p) => p.tag)));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const typed = form.elements.printer.value;
      const tag = kept ? outboxTags(kept.farm.printers).find(typed) : typed.trim();
      if (typeof tag !== "string" || !tag) form.querySelector(".wrong").textContent = `There is no printer “${typed}” among those known here. Check the tag on its label.`;
      else go(`/grade/${encodeURIComponent(tag)}`);
    });
    const waiting = new Map();
    for (const s of kept?.farm.starts ?? []) waiting.set(s.fields.printer, [...(waiting.get(s.fields.printer) ?? []), s]);
    const rows = [...waiting].map(([tag, starts]) => make("li", {}, make("span", { className: "tag", textContent: tag }), make("span", { className: "starts" }, ...starts.slice(0, 6).map((s) => {
      const a = link(`/grade/${encodeURIComponent(tag)}?start=${s.id}`, `${outboxTime.minute(Date.parse(s.fields.started_at), kept.farm.zone).slice(11)} `);
      a.prepend(make("span", { className: "for-ears", textContent: `Grade ${tag}, started ` }));
      a.append(make("span", { className: "quiet", textContent: `${age(Date.parse(s.fields.started_at))} ago` }));
      return a;
    }))));
    place.replaceChildren(again(), form, rows.length ? make("ul", { className: "waiting" }, ...rows) : make("p", { className: "empty", textContent: "No start waits here. A layer nobody recorded is graded by its printer above." }));
  };

  const columnsOf = (cols, col) => cols < 2 ? "" : col === 0 ? "left" : col === cols - 1 ? "right" : "middle";
  const zonePlace = (c, r, cols, rows) => [rows < 2 ? "" : r === 0 ? "front" : r === rows - 1 ? "back" : "middle", columnsOf(cols, c)].filter((w, i, all) => w && all.indexOf(w) === i).join(" ") || "bed";
  const lay = (form, printer) => {
    const bed = form.querySelector("[data-bed]"), numbers = form.querySelector(".bed.numbers");
    bed.dataset.cols = numbers.dataset.cols = String(printer.cols);
    for (let r = printer.rows - 1; r >= 0; r--) {
      for (let c = 0; c < printer.cols; c++) {
        const code = String.fromCharCode(65 + c) + (r + 1);
        const zone = document.querySelector("template[data-away-zone]").content.firstElementChild.cloneNode(true);
        zone.value = `zone-${code}`;
        Object.assign(zone.dataset, { zone: code, place: zonePlace(c, r, printer.cols, printer.rows), mark: "" });
        zone.querySelector(".code").replaceChildren(code, make("span", { className: "for-ears", textContent: `, ${zone.dataset.place}: ` }));
        bed.append(zone);
        const field = document.querySelector("template[data-away-reading]").content.firstElementChild.cloneNode(true);
        const input = field.querySelector("input");
        input.name = `r-${code}`;
        input.id = field.querySelector("label").htmlFor = `f-r-${code}`;
        field.querySelector("label").textContent = code;
        numbers.append(field);
      }
    }
  };

  const choose = (form, name, value) => {
    for (const radio of form.querySelectorAll(`input[type=radio][name="${name}"]`)) radio.checked = radio.value === (value ?? "");
  };

  // fill does for every form what the server does with network.
  const fill = (form, id) => {
    form.elements.id.value = id;
    form.noValidate = true;
    const zone = kept?.farm.zone ?? "UTC";
    const when = form.elements.when;
    if (when) {
      when.value = outboxTime.minute(box.now(), zone);
      when.max = outboxTime.minute(box.now() + 60_000, zone);
    }
    const people = kept?.farm.people ?? [];
    const who = form.elements.person;
    who.replaceChildren(...(me.handle ? [] : [make("option", { value: "", textContent: "Choose who you are" })]), ...[...new Set([me.handle, ...people])].filter(Boolean).map((value) => make("option", { value, textContent: value })));
    who.value = me.handle;
    const suggest = { printer: kept?.farm.printers.map((p) => p.tag), plate: kept?.farm.plates.map((p) => p.tag), material: kept?.farm.materials, job: kept?.farm.jobs };
    for (const [name, words] of Object.entries(suggest)) {
      const input = form.elements[name];
      if (!(input instanceof HTMLInputElement) || input.type === "hidden" || !words || words.length > 300) continue;
      input.setAttribute("list", `l-${name}`);
      form.append(list(`l-${name}`, words));
    }
    for (const [name, value] of new URLSearchParams(location.search)) {
      const input = form.elements[name === "printer" || name === "plate" ? (form.elements[name] ? name : form.elements.plates ? "plates" : "subject") : name];
      if (input && "value" in input && !(input instanceof RadioNodeList)) input.value = value;
    }
  };

  const showForm = (name, path) => {
    const from = template(name);
    const id = box.uuid7();
    place.replaceChildren(from.content.cloneNode(true));
    const form = place.querySelector("form");
    if (name !== "grade") {
      title(from.dataset.title, from.dataset.lead);
      fill(form, id);
      if (name === "release") {
        const holds = kept?.farm.holds ?? [];
        place.querySelector("#f-hold .choices").append(...holds.map((h, i) => {
          const label = make("label", { className: "choice" }, make("input", { type: "radio", name: "hold", value: h.id, id: `f-hold-${i}` }), make("span", {}, `${h.fields.subject}: ${h.fields.reason || "no record"}`));
          return label;
        }));
        if (!holds.length) place.prepend(make("p", { className: "notice", textContent: "No hold is known here." }));
      }
    } else {
      const tag = decodeURIComponent(path.slice("/grade/".length));
      const printer = kept?.farm.printers.find((p) => p.tag === tag) ?? { tag, cols: 3, rows: 3 };
      const starts = (kept?.farm.starts ?? []).filter((s) => s.fields.printer === tag);
      const asked = new URLSearchParams(location.search).get("start");
      const start = asked === "new" ? undefined : starts.find((s) => s.id === asked) ?? starts[0];
      title(`Grade ${tag}`, start ? `Started ${age(Date.parse(start.fields.started_at))} ago.` : "No start is known to wait: saving records one. Change when it started if it was not just now.");
      lay(form, printer);
      fill(form, id);
      form.elements.start.value = start?.id ?? "new";
      form.elements.started.value = start?.fields.started_at ?? "";
      if (start) form.elements.when.closest(".field").remove();
      const plate = start?.fields.plate ?? printer.plate ?? "";
      form.elements.plate.value = plate;
      form.elements.material.value = start?.fields.material ?? "";
      const lies = kept?.farm.plates.find((p) => p.tag === plate && p.printer === tag);
      choose(form, "plate_side", start?.fields.plate_side ?? lies?.side);
      choose(form, "plate_turned", start?.fields.plate_turned ?? lies?.turned);
      const summary = place.querySelector(".quick details.more summary span");
      summary.firstChild.textContent = plate ? `Plate ${plate} ` : "No plate known on it ";
      if (plate && plate === printer.plate && printer.washed) summary.querySelector(".quiet").textContent = printer.washed;
      if (printer.held) place.prepend(make("p", { className: "notice text", textContent: `${tag} is on hold: ${printer.held}. A layer that ran all the same can be graded; do not start jobs.` }));
      for (const d of (printer.drawn ?? []).filter((d) => Date.parse(d.until) > box.now())) {
        const note = make("div", { className: "notice text on-test" }, make("p", {}, make("strong", { textContent: d.says })), make("p", { className: "quiet small", textContent: `As drawn ${age(Date.parse(kept.farm.as_of))} ago, when there was network. It stands until ${tag} starts again. Safety and the maker’s instructions come before the lot.` }));
        note.setAttribute("role", "note");
        note.dataset.arm = d.arm;
        place.prepend(note);
      }
      if (starts.length > 1 || start) {
        const others = make("p", { className: "others" });
        for (const s of starts.filter((s) => s !== start).slice(0, 5)) others.append(link(`${path}?start=${s.id}`, `Also waiting: ${outboxTime.minute(Date.parse(s.fields.started_at), kept.farm.zone).slice(11)}`, false), " ");
        if (start) others.append(link(`${path}?start=new`, "It is another start, not recorded yet", false));
        place.prepend(others);
      }
      const script = make("script", { src: from.dataset.script });
      place.append(script);
    }
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const values = new FormData(form, event.submitter);
      if (String(values.get("do") ?? "").startsWith("zone-") || values.get("do") === "look") return;
      save(form, path, values).catch((error) => problems(form, [{ field: "", words: `This could not be kept: ${error.message}. Free some room on the device and save again.` }]));
    });
  };

  const problems = (form, found) => {
    for (const old of place.querySelectorAll("[data-problems], .wrong[data-away-wrong]")) old.remove();
    const items = found.map(({ field, words }) => {
      const at = field && (place.querySelector(`[id="f-${field}"]`) ?? place.querySelector(`[name="${field}"]`));
      if (at) {
        const box = at.closest(".field") ?? at;
        box.classList.add("wrong-field");
        box.querySelector("label, legend")?.after(make("span", { className: "wrong", textContent: words }));
        box.querySelector(".wrong").dataset.awayWrong = "";
      }
      return make("li", {}, at ? make("a", { href: `#${at.id}`, textContent: words }) : words);
    });
    const summary = make("div", { className: "notice act", tabIndex: -1 }, make("h2", { textContent: found.length === 1 ? "One thing to put right" : `${found.length} things to put right` }), make("ul", {}, ...items));
    summary.dataset.problems = "";
    form.before(summary);
    summary.focus();
  };

  const save = async (form, path, values) => {
    const person = me.handle || values.get("person");
    if (!person) return problems(form, [{ field: "person", words: "Say who you are." }]);
    const made = await outboxBuild(path, values, kept?.farm, person);
    if (made.problems.length) return problems(form, made.problems);
    const layer = made.records.find((r) => r.record.kind === "first_layer");
    const after = layer ? await box.pictures(values.get("id"), layer.record.id) : [];
    await box.add(made.records.map((r) => ({ ...r, person, after: r === layer && after.length ? after : undefined })));
    await box.taken(after);
    await learn(made.records.map((r) => r.record));
    const waiting = (await box.list()).length;
    saved.replaceChildren(make("span", { textContent: `Kept on this device: ${made.records.map((r) => r.words).join("; ")}.` }), " ", make("span", { className: "quiet", textContent: waiting ? `${waiting} waiting.` : "Sent." }), " ", link("/queue", "Look at what waits", false));
    saved.hidden = false;
    await go(path.startsWith("/grade/") ? "/grade" : "/offline");
    scrollTo(0, 0);
    document.querySelector("main").focus({ preventScroll: true });
  };

  // learn takes what was just recorded into the snapshot, until a newer one comes.
  const learn = async (records) => {
    if (!kept) return;
    const farm = kept.farm;
    const free = (plate) => { for (const p of farm.printers) if (p.plate === plate) delete p.plate; };
    for (const r of records) {
      const printer = farm.printers.find((p) => p.tag === r.printer), plate = farm.plates.find((p) => p.tag === (r.plate ?? r.subject));
      // A start recorded here is the one that was drawn for; one that waited to be graded was before it.
      if (r.kind === "first_layer" && printer && !farm.starts.some((s) => s.id === r.id)) delete printer.drawn;
      if (r.kind === "first_layer") farm.starts = farm.starts.filter((s) => s.id !== r.id);
      if (r.kind === "void") farm.starts = farm.starts.filter((s) => s.id !== r.record);
      if (r.kind === "fitting" && printer && plate) {
        free(r.plate);
        for (const p of farm.plates) if (p.printer === r.printer) delete p.printer;
        printer.plate = r.plate;
        delete printer.washed;
        Object.assign(plate, { printer: r.printer, side: r.plate_side, turned: r.plate_turned, state: "in_use" });
      }
      if (r.kind === "plate_state" && plate && r.state !== "in_use") { free(r.plate); delete plate.printer; plate.state = r.state; }
      if (r.kind === "cleaning") for (const p of farm.printers) if (p.plate === r.plate) p.washed = "cleaned, not used since";
      const held = farm[r.subject_kind + "s"]?.find((x) => x.tag === r.subject);
      if (r.kind === "hold" && r.released_at) { farm.holds = farm.holds.filter((h) => h.id !== r.id); if (held) delete held.held; }
      else if (r.kind === "hold") { farm.holds.push({ id: r.id, fields: r }); if (held) held.held = r.reason; }
    }
    await box.setMeta("farm", { ...kept, tag: "" });
  };

  const forms = [...document.querySelectorAll("template[data-away-form]")].map((t) => t.dataset.awayForm).filter((n) => n !== "grade");
  const known = (path) => path === "/grade" || path.startsWith("/grade/") || path === "/offline" || forms.includes(path.replace("/upkeep/", ""));

  const render = async () => {
    const path = location.pathname.slice(base.length) || "/";
    kept = await box.meta("farm");
    me = await box.meta("me");
    if (!me && kept?.farm.shared) me = { handle: "" }; // whoever stands there says who they are
    for (const a of document.querySelectorAll(".areas a")) {
      const at = new URL(a.href).pathname.slice(base.length);
      if (at === path || at === "/grade" && path.startsWith("/grade/")) a.setAttribute("aria-current", "page");
      else a.removeAttribute("aria-current");
    }
    if (!me) nobody();
    else if (path === "/grade") showGradeList();
    else if (path.startsWith("/grade/")) showForm("grade", path);
    else if (forms.includes(path.replace("/upkeep/", ""))) showForm(path.replace("/upkeep/", ""), path);
    else showHome();
    root.dataset.away = path;
  };
  const go = (path) => { history.pushState(null, "", base + path); return render(); };

  // Links between these forms need no try of the network, which may take long to fail.
  document.addEventListener("click", (event) => {
    const a = event.target instanceof Element && event.target.closest("a[href]");
    if (!a || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const to = new URL(a.href);
    if (to.origin !== location.origin || to.hash || !known(to.pathname.slice(base.length))) return;
    event.preventDefault();
    saved.hidden = true;
    go(to.pathname.slice(base.length) + to.search);
    scrollTo(0, 0);
  });
  addEventListener("popstate", render);
  // The network is back once something was sent or answered.
  addEventListener("outbox", async () => {
    const last = await box.meta("last");
    if (saved.dataset.back || last?.halt !== "" || root.dataset.unsent !== "0" || saved.hidden) return;
    saved.dataset.back = "yes";
    saved.append(" ", make("span", { textContent: "All is sent." }), " ", link("/floor", "Go to the Floor", false));
  });

  if (box.off) title("Without network", "Nothing can be kept on this device.");
  else render().catch((error) => { title("Without network", `This device’s store cannot be read: ${error.message}`); });
})();
