// From a form to records, without network: the same forms, under the same names,
// that the server takes, become the records it would make of them, under the same
// ids. A form that reached the server although its answer was lost is therefore
// recorded once. What only the server can tell is left to it: it refuses, and the
// record waits to be mended.
//
//   outboxBuild(path, values, farm, person) → { records: [{ record, words }], problems: [{ field, words }] }
//   outboxRecords(path, values, { person }) → [{ record, words, error }], for forms that could not be delivered
//   outboxTags(list) → { find(typed) → tag, "" or [tags] }
"use strict";

(() => {
  const box = window.outbox;
  const grades = { clean: "clean layer", cosmetic: "cosmetic", marginal: "marginal", failed: "failed" };
  const methods = { wipe: "wiped", wash: "washed", deep: "washed deep", coat: "coated" };
  const sides = ["a", "b"], yesNo = ["yes", "no"];

  // uuid5 names a thing within an id (RFC 9562, version 5).
  const uuid5 = async (space, name) => {
    const bytes = Uint8Array.from(space.replaceAll("-", "").match(/../g), (h) => parseInt(h, 16));
    const text = new TextEncoder().encode(name);
    const all = new Uint8Array(bytes.length + text.length);
    all.set(bytes);
    all.set(text, bytes.length);
    const sum = new Uint8Array(await crypto.subtle.digest("SHA-1", all)).slice(0, 16);
    sum[6] = 0x50 | (sum[6] & 0x0f);
    sum[8] = 0x80 | (sum[8] & 0x3f);
    return box.hex(sum);
  };

  // Local times of the farm's zone.
  const wall = (ms, zone) => {
    const p = Object.fromEntries(new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit" }).formatToParts(ms).map((x) => [x.type, x.value]));
    return `${p.year.padStart(4, "0")}-${p.month}-${p.day}T${p.hour}:${p.minute}:${p.second}`;
  };
  const minute = (ms, zone) => wall(ms, zone).slice(0, 16);
  // instant gives the ms of a local time; NaN where the clocks went over it, or it is none.
  const instant = (typed, zone) => {
    const m = /^(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d))?$/.exec(typed);
    if (!m) return NaN;
    const plain = Date.UTC(m[1], m[2] - 1, m[3], m[4], m[5], m[6] ?? 0);
    const ahead = (ms) => Date.parse(wall(ms, zone) + "Z") - Math.floor(ms / 1000) * 1000;
    for (const at of [plain - 86_400_000, plain + 86_400_000]) { // before a change of clocks first, as the server does
      const ms = plain - ahead(at);
      if (wall(ms, zone).slice(0, 16) === typed.replace(" ", "T").slice(0, 16)) return ms;
    }
    return NaN;
  };

  // plain is a tag as people find it whatever way they write it.
  const plain = (s) => s.trim().toLowerCase().replace(/[-_ .]/g, "").replace(/(^|\D)0+(?=\d)/g, "$1");
  const scanned = (s) => {
    const m = /:\/\/.*\/s\/([^/]+)$/.exec(s.trim());
    try { return m ? decodeURIComponent(m[1]) : s.trim(); } catch { return s.trim(); }
  };
  const tags = (list) => {
    const by = new Map();
    const put = (key, tag) => by.set(key, [...(by.get(key) ?? []), tag]);
    const exact = new Set(list.map((x) => x.tag));
    for (const { tag } of list) put(plain(tag), tag);
    const checked = new Map(list.map(({ tag, check }) => [plain(tag) + check.toLowerCase(), tag]));
    const bare = new Map();
    for (const { tag } of list) {
      const n = /^[a-z]+(\d+)$/.exec(plain(tag))?.[1];
      if (n) bare.set(n, [...(bare.get(n) ?? []), tag]);
    }
    return { find(typed) {
      const t = scanned(typed);
      if (t === "" || exact.has(t)) return t;
      const p = plain(t);
      const found = by.get(p) ?? (checked.has(p) ? [checked.get(p)] : bare.get(p)) ?? [];
      return found.length === 1 ? found[0] : found.length ? found : "";
    } };
  };

  const number = (v, unit) => {
    let s = v.replaceAll("\u2212", "-").replace(/[\u00a0\u202f\u2009 ]/g, "");
    if (unit && s.endsWith(unit)) s = s.slice(0, -unit.length);
    s = s.replace(",", ".").replace(/^\+/, "");
    return /^-?(\d+\.?\d*|\.\d+)$/.test(s) ? Number(s) : NaN;
  };

  // Form reads one form; what is wrong is noted at its field.
  class Form {
    constructor(path, values, farm, person) {
      Object.assign(this, { path, values, farm, person, problems: [], records: [] });
      this.zone = farm?.zone ?? "UTC";
      this.id = /^[0-9a-f]{8}-[0-9a-f]{4}-7/.test(this.text("id")) ? this.text("id") : box.uuid7();
      const made = parseInt(this.id.slice(0, 8) + this.id.slice(9, 13), 16);
      const now = box.now();
      this.opened = made <= now + 60_000 && now - made <= 86_400_000 ? made : now;
      this.printers = farm && tags(farm.printers);
      this.plates = farm && tags(farm.plates);
    }
    text(name) { return (this.values.get(name) ?? "").replaceAll("\r\n", "\n").trim(); }
    wrong(field, words) { this.problems.push({ field, words }); }
    own(about) { return uuid5(this.id, about); }
    code(name, codes, missing) {
      const v = this.text(name);
      if (v === "" && missing) this.wrong(name, missing);
      if (v !== "" && !codes.includes(v)) { this.wrong(name, "Choose one of the answers."); return ""; }
      return v;
    }
    number(name, unit, least, most, expected) {
      const v = this.text(name);
      if (v === "") return "";
      const x = number(v, unit);
      if (!(x >= least && x <= most)) { this.wrong(name, expected); return ""; }
      return String(x);
    }
    when() {
      const typed = this.text("when");
      if (typed === "" || typed === minute(this.opened, this.zone)) return this.opened;
      const ms = instant(typed, this.zone);
      if (Number.isNaN(ms)) this.wrong("when", "There is no such time. Give the date and the time; where the clocks went forward, the time before or after.");
      else if (ms > box.now() + 60_000) this.wrong("when", "Log what was done, not what will be: the time must not lie after now.");
      return ms;
    }
    // tag finds what is meant in a list of the farm; without one it is left as typed.
    tag(book, field, kind, typed = this.text(field)) {
      if (typed === "") { this.wrong(field, `Give the tag of the ${kind}.`); return ""; }
      const found = book ? book.find(typed) : scanned(typed);
      if (Array.isArray(found)) this.wrong(field, `“${typed}” may be ${found.slice(0, 6).join(" or ")}. Write the tag as it stands on the label.`);
      else if (found === "") this.wrong(field, `There is no ${kind} “${typed}” among those known here. Check the tag on its label.`);
      return typeof found === "string" ? found : "";
    }
    who() { return this.text("person") || this.person; }
    async put(kind, about, whenField, ms, fields, words, person = "person") {
      const record = { kind, id: await this.own(about), ...fields };
      if (whenField) record[whenField] = new Date(ms).toISOString();
      record.noted_by = this.person;
      if (person && !record[person]) record[person] = this.who();
      this.records.push({ record: clean(record), words });
    }
  }
  const clean = (record) => Object.fromEntries(Object.entries(record).filter(([, v]) => v !== "" && v !== undefined));

  const zonesOf = (printer) => {
    const out = [];
    for (let c = 0; c < printer.cols; c++) for (let r = 1; r <= printer.rows; r++) out.push(String.fromCharCode(65 + c) + r);
    return out;
  };

  const gradeForm = async (f) => {
    const tag = f.tag(f.printers, "printer", "printer", decodeURIComponent(f.path.slice("/grade/".length)));
    const printer = f.farm?.printers.find((p) => p.tag === tag) ?? { cols: 9, rows: 9 };
    const grade = f.text("do") === "clean" ? "clean" : f.text("grade");
    const marks = f.text("marks");
    if (!grades[grade]) f.wrong("grade", "Choose a grade, by what follows from the layer.");
    if (grade === "clean" && marks) f.wrong("grade", "Marks are painted on the map, and a clean layer shows none. Tap them away, or choose Cosmetic.");
    if (/:other:/.test(marks) && !f.text("note")) f.wrong("note", "Say in a few words what is seen: Something else is painted on the map.");
    const zones = zonesOf(printer);
    const bare = f.text("bare").split(" ").filter(Boolean);
    if (bare.length === zones.length) f.wrong("marks", "Every zone says that nothing was printed there. Tap those that were printed on.");
    const patch = f.text("readings_are") === "patch" ? "p" : "";
    const readings = [];
    for (const [name, value] of f.values) {
      if (!/^r-[A-I][1-9]$/.test(name)) continue;
      for (const word of value.replace(/mm|[\u00a0\u2009]/g, " ").split(/[ ;\t]+/).filter(Boolean)) {
        const x = number(word.replace(/p$/, ""), "");
        if (!(x >= 0.05 && x <= 1)) { f.wrong(name, `${name.slice(2)}: thickness must be between 0.05 and 1.00 mm.`); break; }
        readings.push(`${name.slice(2)}=${x}${patch || (word.endsWith("p") ? "p" : "")}`);
      }
    }
    const way = f.code("nudge_way", ["up", "down"]);
    let nudge = f.number("nudge", "mm", 0, 1, "A nudge is between 0 and 1.00 mm, for example 0.04; which way is asked beside it.");
    if (Number(nudge) > 0 && !way) f.wrong("nudge_way", "Say whether the nozzle went up or down.");
    if (Number(nudge) > 0 && way === "down") nudge = String(-nudge);
    const start = f.text("start") === "new" ? "" : f.text("start");
    const known = f.farm?.starts.find((s) => s.id === start)?.fields;
    const began = start ? Date.parse(f.text("started") || known?.started_at || "") : f.when();
    if (start && Number.isNaN(began)) f.wrong("", "Which start was graded is not known here.");
    const fields = {
      printer: tag, grade, marks, readings: readings.join(" "), nudge_mm: nudge,
      covered: bare.length ? zones.filter((z) => !bare.includes(z)).join(" ") : "",
      plate: f.text("plate") ? f.tag(f.plates, "plate", "plate") : "",
      plate_side: f.code("plate_side", sides), plate_turned: f.code("plate_turned", yesNo), probed: f.code("probed", yesNo),
      seen_from: f.code("seen_from", ["above_printing", "above_done", "underside"]), decision: f.code("decision", ["let_run", "nudged", "stopped"]),
      outcome: f.code("outcome", ["finished", "restarted", "detached", "stopped", "scrapped"]), underside: f.code("underside", ["hidden", "shown"]),
      material: f.text("material"), lot: f.text("lot"), job: f.text("job"), instrument: f.text("instrument"), note: f.text("note"),
      layer_height_mm: f.number("layer_height_mm", "mm", 0.05, 1, "Layer height must be between 0.05 and 1.00 mm."),
      line_width_mm: f.number("line_width_mm", "mm", 0.1, 3, "Line width must be between 0.1 and 3 mm."),
      grader: f.who(), graded_at: new Date(Math.max(f.opened, began || 0)).toISOString(),
    };
    if (f.problems.length) return;
    const words = `Graded ${tag}: ${grades[grade]}`;
    if (!start) {
      const looked = f.farm?.printers ? { ...fields } : fields;
      f.records.push({ record: clean({ kind: "first_layer", id: await f.own("first_layer"), ...looked, started_at: new Date(began).toISOString(), noted_by: f.person }), words });
      return;
    }
    fields.started_at = known?.started_at ?? new Date(began).toISOString();
    const differs = known && Object.entries(known).some(([k, v]) => v && fields[k] && k !== "started_at" && fields[k] !== v);
    if (!differs) {
      f.records.push({ record: clean({ kind: "first_layer", id: start, ...fields }), words });
      return;
    }
    // The record says something else: it is replaced, with what the form did not ask.
    const id = await f.own("first_layer");
    f.records.push({ record: clean({ kind: "first_layer", id, ...known, ...clean(fields), noted_by: f.person }), words });
    f.records.push({ record: { kind: "void", id: await f.own(`void/${start}`), record: start, voided_at: new Date(f.opened).toISOString(), voided_by: f.person, void_reason: "corrected when it was graded", replaced_by: id }, words: `Replaced the start on ${tag}` });
  };

  const forms = {
    "/upkeep/clean": async (f) => {
      const list = [];
      for (const word of (f.text("plates") + "\n" + f.text("printers")).split(/[\n,;\t]+/).map((w) => w.trim()).filter(Boolean)) {
        let tag = f.plates ? f.plates.find(word) : scanned(word);
        if (tag === "" && f.printers) {
          const printer = f.printers.find(word);
          tag = f.farm.printers.find((p) => p.tag === printer)?.plate ?? "";
        }
        if (typeof tag !== "string" || tag === "") f.tag(f.plates, "plates", "plate", word);
        else if (!list.includes(tag)) list.push(tag);
      }
      if (!list.length && !f.problems.length) f.wrong("plates", "Name at least one plate.");
      const method = f.code("method", Object.keys(methods), "Say how: wiped, washed, washed deep, or coated.");
      const side = f.code("plate_side", sides);
      const ms = f.when();
      if (f.problems.length) return;
      for (const plate of list) await f.put("cleaning", `cleaning/${plate}`, "cleaned_at", ms, { plate, method, plate_side: side, agent: f.text("agent"), note: f.text("note") }, `Cleaned ${plate}: ${methods[method]}`);
    },
    "/upkeep/probe": async (f) => {
      const printer = f.tag(f.printers, "printer", "printer");
      const edge = (name) => f.number(name, "mm", -2000, 4000, "Give a place on the bed in mm, or leave it out.");
      const fields = { printer, plate: f.text("plate") ? f.tag(f.plates, "plate", "plate") : "", extent: f.code("extent", ["full", "part", "zero"], "Say what was probed."),
        plate_side: f.code("plate_side", sides), plate_turned: f.code("plate_turned", yesNo), in_use: f.code("in_use", yesNo),
        bed_temp_c: f.number("bed_temp_c", "°C", 0, 200, "Give a temperature from 0 to 200 °C, or leave it out."), soak_minutes: f.number("soak_minutes", "min", 0, 10000, "Give minutes, 0 or more, or leave it out."),
        x_min_mm: edge("x_min_mm"), x_max_mm: edge("x_max_mm"), y_min_mm: edge("y_min_mm"), y_max_mm: edge("y_max_mm") };
      if (f.text("mesh")) {
        const rows = f.text("mesh").split("\n").map((l) => l.trim().split(/[\s,;]+/).filter(Boolean)).filter((r) => r.length);
        const good = rows.every((r) => r.length === rows[0].length && r.every((x) => x === "nan" || Math.abs(number(x, "")) <= 5));
        if (!good) f.wrong("mesh", "Without network only rows of heights in mm are read, each as long as the others. Leave the mesh out, or log the probe when there is network.");
        const first = f.code("mesh_first", ["front", "back"], good ? "Say whether the first line is the bed’s front or its back." : "");
        if (fields.extent === "zero") f.wrong("extent", "Only the zero has no mesh. Choose the whole bed or a part of it, or take the mesh out.");
        if (first === "back") rows.reverse();
        Object.assign(fields, { columns: String(rows[0].length), rows: String(rows.length), heights_mm: rows.flat().map((x) => x === "nan" ? x : String(number(x, ""))).join(" ") });
      }
      const ms = f.when();
      if (!f.problems.length) await f.put("probe", `probe/${printer}`, "probed_at", ms, fields, `Probed ${printer}`);
    },
    "/upkeep/skip": async (f) => {
      const printer = f.tag(f.printers, "printer", "printer");
      const fields = { printer, reason: f.code("reason", ["hurry", "trusted", "short_job", "broken", "told_to", "drawn_by_lot", "other"], "Say why it was left out."), note: f.text("note") };
      const ms = f.when();
      if (!f.problems.length) await f.put("probe_skipped", `probe_skipped/${printer}`, "at", ms, fields, `Probe skipped on ${printer}`);
    },
    "/upkeep/fit": async (f) => {
      const plate = f.tag(f.plates, "plate", "plate");
      const printer = f.tag(f.printers, "printer", "printer");
      const old = f.code("old_plate", ["in_wash", "set_aside"]);
      const fields = { plate, printer, plate_side: f.code("plate_side", sides), plate_turned: f.code("plate_turned", yesNo) };
      const ms = f.when();
      if (f.problems.length) return;
      await f.put("fitting", `fitting/${plate}`, "fitted_at", ms, fields, `Fitted ${plate} on ${printer}`);
      const spot = f.farm?.plates.find((p) => p.tag === plate);
      const was = f.farm?.printers.find((p) => p.tag === printer)?.plate;
      if (spot && spot.state !== "in_use") await f.put("plate_state", `plate_state/${plate}`, "at", ms, { plate, state: "in_use", reason: `fitted on ${printer}` }, `${plate} is in use`);
      if (was && was !== plate && old) await f.put("plate_state", `plate_state/${was}`, "at", ms, { plate: was, state: old, reason: `taken off ${printer}` }, `${was} ${old === "in_wash" ? "into the wash" : "set aside"}`);
    },
    "/upkeep/hold": async (f) => {
      let kind = ["printer", "plate"].find((k) => f.text(k));
      const typed = kind ? f.text(kind) : f.text("subject");
      if (!kind && f.farm) kind = f.printers.find(typed) ? "printer" : "plate";
      kind ??= "printer";
      const subject = f.tag(f[kind + "s"], "subject", "printer or plate", typed);
      if (!f.text("reason")) f.wrong("reason", "Say why: a hold stands until somebody can tell that its reason is gone.");
      const ms = f.when();
      if (!f.problems.length) await f.put("hold", `hold/${subject}`, "placed_at", ms, { subject_kind: kind, subject, reason: f.text("reason") }, `Hold on ${subject}`);
    },
    "/upkeep/release": async (f) => {
      const hold = f.farm?.holds.find((h) => h.id === f.text("hold"));
      if (!hold) f.wrong("hold", "Choose the hold to release.");
      if (!f.text("reason")) f.wrong("reason", "Say why it may go on: what was found or done.");
      const ms = f.when();
      if (hold && ms < Date.parse(hold.fields.placed_at)) f.wrong("when", "It cannot be released before it was placed.");
      if (f.problems.length) return;
      const { subject_kind, subject, placed_at } = hold.fields;
      f.records.push({ record: { kind: "hold", id: hold.id, subject_kind, subject, placed_at, released_at: new Date(ms).toISOString(), released_by: f.who(), release_reason: f.text("reason") }, words: `Released ${subject}` });
    },
  };

  const build = async (path, values, farm, person) => {
    const f = new Form(path, values, farm, person);
    const act = path.startsWith("/grade/") ? gradeForm : forms[path];
    if (!act) throw new Error(`no form ${path}`);
    await act(f);
    return { records: f.problems.length ? [] : f.records, problems: f.problems };
  };

  window.outboxTags = tags;
  window.outboxBuild = build;
  window.outboxTime = { minute, instant };
  window.outboxRecords = async (path, values, { person }) => {
    const act = values.get("do") ?? "";
    if (act === "add" || act === "look" || act.startsWith("zone-")) return []; // nothing was to be saved
    const kept = await box.meta("farm");
    let problems;
    try {
      const made = await build(path, values, kept?.farm, person ?? "");
      if (!made.problems.length) return made.records;
      problems = made.problems;
    } catch (error) {
      problems = [{ field: "", words: String(error) }];
    }
    // Nothing is dropped: what cannot be read is listed with what was typed.
    const typed = [...values].filter(([name, v]) => v && !["id", "do", "back", "latest"].includes(name));
    return [{ record: { kind: "form", id: box.uuid7(), path, ...Object.fromEntries(typed) }, words: `A form of ${path}`, error: { status: 422, title: "This form could not be read without network", detail: problems.map((p) => p.words).join(" ") } }];
  };
})();
