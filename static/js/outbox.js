// The outbox: what was recorded on this device and has not been acknowledged by
// the server. It is kept in IndexedDB, so that it survives a closed browser, and
// sent through POST /api/v1/records, in order, by one tab at a time.
//
// window.outbox, once a page has loaded:
//
//   await outbox.add([{ record, words, after }])   keeps entries, all or none, and
//       begins to send. record is one record as the API takes it, with kind and id
//       (outbox.uuid7()); words say it to people ("Cleaned L-203: wiped"); after
//       (optional) is what is sent once the record is acknowledged: { path, blob,
//       type }, or several, POSTed to path (without the base path) as they are, so that
//       whoever takes them must bear a repeat. Resolves when it is on the disk.
//   outbox.pictures(form, layer)  what photos.js keeps for a grade's form (its id), as after
//       of the record with the id layer; outbox.taken(after) takes it from there once kept here
//   outbox.send(byHand)      tries now; resolves when there is nothing left to do. From a
//       device that was a shared tablet and was revoked only true sends
//   outbox.list()            entries, the oldest first (their form stands at open)
//   outbox.change(n, record) puts a mended record in the place of a refused one
//   outbox.giveUp(n, reason) takes an entry out; it stays in the list of given up
//   outbox.now()             this moment in ms by the farm's clock, as measured
//   outbox.uuid7(ms)         an id (RFC 9562, version 7) of a moment, now when left out
//   outbox.off               why nothing can be kept here, "" when it can
//
// An entry leaves the outbox only when the server answered for its id, or when
// somebody gives it up. Who made it is kept with it: it is sent while that person
// is signed in here, or somebody who may record for others.
"use strict";

(() => {
  const root = document.documentElement;
  const base = root.dataset.base ?? "";
  const most = 500; // records in one body
  const heavy = 1_500_000; // bytes in one body; the server takes 2 MB
  const patience = 30_000; // ms for an answer
  const fresh = 60_000; // ms after which the farm's snapshot is asked for again
  const channel = "BroadcastChannel" in window ? new BroadcastChannel("basecourse" + base) : undefined;
  let halt = ""; // why nothing is sent just now: "", sign-in, person, network, busy
  let tries = 0;
  let timer = 0;
  let queued; // the sending that waits for the lock

  const off = !isSecureContext ? "insecure" : !("serviceWorker" in navigator) || !("indexedDB" in window) || !navigator.locks || !window.idb ? "browser" : "";

  // open gives the database. Entries: { n, id, record, words, person, kept (ms),
  // skew (ms), state: waiting | refused | after, error, after }.
  let opened;
  const open = () => opened ??= idb.openDB("basecourse" + base, 1, {
    upgrade(db) {
      db.createObjectStore("entries", { keyPath: "n", autoIncrement: true });
      db.createObjectStore("meta");
      db.createObjectStore("forms", { keyPath: "key" }); // forms on their way, put there by the service worker
      db.createObjectStore("gone", { keyPath: "n" }); // given up
    },
    blocking() { opened?.then((db) => db.close()); opened = undefined; },
    terminated() { opened = undefined; },
  });
  const meta = async (key) => (await open()).get("meta", key);
  const setMeta = async (key, value) => (await open()).put("meta", value, key);

  // Clocks: how far this device's is ahead of the server's, measured by the Date
  // of answers, to half a second and half the way there and back.
  let skew = 0;
  const measure = (answer, began) => {
    const there = Date.parse(answer.headers.get("Date") ?? "");
    const ended = Date.now();
    if (!there || ended - began > 5000) return;
    skew = Math.round((began + ended) / 2 - (there + 500));
    if (Math.abs(skew) < 2000) skew = 0;
    return setMeta("skew", skew);
  };
  const now = () => Date.now() - skew;

  // alone does work while no other tab does work of that name. Browsers have been seen to
  // let a lock that nobody holds be waited for without end, after a start with several
  // tabs on a busy device; then it is taken all the same. What is done under it bears a
  // second at its side: entries are settled by what they are by then, and ids are sent
  // as often as needed.
  const patient = 3; // looks, one a second, at a lock that nobody holds
  const alone = async (name, work) => {
    const waiting = new AbortController();
    let begun = false, free = 0;
    const looks = setInterval(async () => {
      const { held } = await navigator.locks.query();
      free = held.some((l) => l.name === name) ? 0 : free + 1;
      if (free >= patient && !begun) waiting.abort();
    }, 1000);
    const go = (lock) => { begun = true; clearInterval(looks); return work(lock); };
    try {
      return await navigator.locks.request(name, { signal: waiting.signal }, go);
    } catch (error) {
      if (begun) throw error;
      return navigator.locks.request(name, { steal: true }, go);
    } finally {
      clearInterval(looks);
    }
  };

  const hex = (bytes) => {
    const h = [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
    return `${h.slice(0, 8)}-${h.slice(8, 12)}-${h.slice(12, 16)}-${h.slice(16, 20)}-${h.slice(20)}`;
  };
  const uuid7 = (ms = now()) => {
    const b = crypto.getRandomValues(new Uint8Array(16));
    for (let i = 5, x = Math.floor(ms); i >= 0; i--, x = Math.floor(x / 256)) b[i] = x % 256;
    b[6] = 0x70 | (b[6] & 0x0f);
    b[8] = 0x80 | (b[8] & 0x3f);
    return hex(b);
  };

  const list = async () => (await open()).getAll("entries");

  const add = async (entries) => {
    if (off) throw new Error("nothing can be kept on this device");
    const me = await meta("me");
    const tx = (await open()).transaction("entries", "readwrite", { durability: "strict" });
    for (const { record, words, after, person, state, error } of entries) {
      tx.store.add({ id: record.id, record, words: words ?? record.kind, after, person: person ?? me?.handle ?? "", kept: now(), skew, state: state ?? "waiting", error });
    }
    await tx.done;
    navigator.storage?.persist?.().catch(() => {});
    tell();
    send();
  };

  // may tells whether an entry is sent while somebody is signed in.
  const may = (entry, me) => !!me && (me.all || entry.person === me.handle);

  const post = async (path, body, type) => {
    const began = Date.now();
    const answer = await fetch(base + path, { method: "POST", body, headers: { "Content-Type": type, Accept: "application/json", "X-Sent-At": new Date().toISOString() }, signal: AbortSignal.timeout(patience), cache: "no-store" });
    await measure(answer, began);
    return answer;
  };

  // who asks the server who is signed in here; what is kept of it may be of
  // another tab's past.
  const who = async () => {
    const answer = await fetch(base + "/offline/me", { headers: { Accept: "application/json" }, cache: "no-store", redirect: "manual", signal: AbortSignal.timeout(patience) });
    return answer.ok ? answer.json() : undefined;
  };

  // Every change of an entry that was read before goes by what it is by now.
  const settle = async (entries, change) => {
    const tx = (await open()).transaction("entries", "readwrite", { durability: "strict" });
    for (const entry of entries) {
      const current = await tx.store.get(entry.n);
      if (!current || current.id !== entry.id) continue;
      const next = change(current);
      await (next ? tx.store.put(next) : tx.store.delete(entry.n));
    }
    await tx.done;
  };
  // tried keeps which entries were sent and not answered for: they may be recorded.
  const tried = async (entries, sent) => {
    const tx = (await open()).transaction("meta", "readwrite");
    const set = new Set(await tx.store.get("tried"));
    for (const e of entries) if (sent) set.add(e.n); else set.delete(e.n);
    await tx.store.put([...set], "tried");
    await tx.done;
  };
  const refuse = (error) => (e) => ({ ...e, state: "refused", error });

  // drain sends until nothing is left that may go; it gives why it stopped.
  let size = most; // of a batch: smaller where answers do not come, so that short moments of network are used
  const drain = async (asked) => {
    if (!asked && (await meta("revoked"))) return "revoked";
    const stuck = new Set(); // entries that have to wait for their person
    for (;;) {
      const me = await meta("me");
      const all = await list();
      const waiting = all.filter((e) => e.state !== "refused");
      const mine = waiting.filter((e) => may(e, me) && !stuck.has(e.n));
      if (mine.length === 0) return waiting.length === 0 ? "" : me ? "person" : "sign-in";
      if (mine[0].state === "after") {
        const why = await sendAfter(mine[0]);
        if (why) return why;
        continue;
      }
      const batch = [];
      for (let bytes = 0; batch.length < mine.length && batch.length < size && mine[batch.length].state === "waiting"; batch.push(mine[batch.length])) {
        bytes += JSON.stringify(mine[batch.length].record).length * 2;
        if (bytes > heavy && batch.length) break;
      }
      await tried(batch, true);
      const answer = await post("/api/v1/records", JSON.stringify({ records: batch.map((e) => e.record) }), "application/json");
      if (answer.status === 400 || answer.status === 413) {
        // Something in the body cannot be read at all: halve it until it is found.
        if (batch.length === 1) await settle(batch, refuse(await problem(answer)));
        else size = Math.ceil(batch.length / 2);
        tell();
        continue;
      }
      if (answer.status < 500) await tried(batch, false);
      if (answer.status === 401) return "sign-in";
      if (answer.status !== 200) return wait(answer);
      const { results } = await answer.json();
      if (!Array.isArray(results) || results.length !== batch.length || results.some((r, i) => r.id !== batch[i].id)) return "busy";
      if (results.some((r) => r.error?.status === 403)) { // was somebody else signed in?
        const is = await who();
        if (!is) return "sign-in";
        await setMeta("me", is);
        // What may not be said in another's name waits for that person.
        batch.forEach((e, i) => { if (results[i].error?.status === 403 && e.person !== is.handle) stuck.add(e.n); });
      }
      const by = new Map(batch.map((e, i) => [e.n, results[i]]));
      await settle(batch, (e) => {
        const r = by.get(e.n);
        if (r.result === "recorded" || r.result === "already_recorded") return e.after ? { ...e, state: "after" } : undefined;
        return stuck.has(e.n) ? e : { ...e, state: "refused", error: r.error };
      });
      tries = 0;
      size = Math.min(most, size * 2);
      tell();
    }
  };

  const sendAfter = async (entry) => {
    const [first, ...rest] = [entry.after].flat();
    const answer = await post(first.path, first.blob, first.type);
    if (answer.status === 401) return "sign-in";
    if (answer.ok || answer.status === 409) await settle([entry], (e) => (rest.length ? { ...e, after: rest } : undefined));
    else if (answer.status === 429 || answer.status >= 500) return wait(answer);
    else await settle([entry], refuse(await problem(answer)));
    tell();
    return "";
  };

  const problem = async (answer) => {
    try {
      const p = await answer.json();
      if (p && typeof p === "object") return { status: answer.status, title: p.title, detail: p.detail, problems: p.problems };
    } catch { /* no problem of ours: a proxy's page */ }
    return { status: answer.status, title: "Refused", detail: `The server answered ${answer.status}.` };
  };

  let least = 0; // ms the server asked to wait
  const wait = (answer) => {
    least = 1000 * Number(answer.headers.get("Retry-After") || 0);
    return "busy";
  };

  // send tries to empty the outbox. Tabs take turns; one that waits for its turn
  // is enough for each tab, for it reads the entries when the turn comes.
  let asked = false; // by somebody, with the button
  const send = (byHand) => {
    asked ||= byHand === true;
    return queued ??= turn();
  };
  const turn = () => (async () => {
    if (off) return;
    await alone("outbox" + base, async () => {
      queued = undefined;
      clearTimeout(timer);
      least = 0;
      try {
        const by = asked;
        asked = false;
        halt = await drain(by);
      } catch { // no network, no answer in time, or an answer that was cut off
        halt = "network";
        size = Math.max(20, Math.ceil(size / 2));
      }
      if (halt === "network" || halt === "busy") {
        const pause = Math.max(least, Math.min(60_000, 500 * 2 ** tries++));
        timer = setTimeout(send, pause * (1 + Math.random() / 4));
      } else tries = 0;
      await setMeta("last", { at: now(), halt });
      tell();
    });
  })().catch(() => { queued = undefined; });

  const change = async (n, record) => {
    await settle(await one(n), (e) => ({ ...e, record, id: record.id, state: "waiting", error: undefined }));
    tell();
    return send();
  };
  const one = async (n) => {
    const entry = await (await open()).get("entries", n);
    return entry ? [entry] : [];
  };

  // giveUp waits for its turn, so that no entry is given up while it is sent.
  const giveUp = (n, reason) => alone("outbox" + base, async () => {
    const tx = (await open()).transaction(["entries", "gone"], "readwrite");
    const entry = await tx.objectStore("entries").get(n);
    if (entry) {
      await tx.objectStore("gone").put({ ...entry, reason, gone: now() });
      await tx.objectStore("entries").delete(n);
    }
    await tx.done;
    tell();
  });

  // What photos.js keeps is in a database of its own, by the form it was taken in.
  const withPictures = async (act) => {
    const db = await idb.openDB("basecourse-photos", 1, { upgrade(d) { d.createObjectStore("waiting", { keyPath: "id" }); } });
    try { return await act(db); } finally { db.close(); }
  };
  const pictures = (form, layer) => withPictures(async (db) => (await db.getAll("waiting")).filter((x) => x.form === form && !x.layer)
    .map((x) => ({ path: "/api/v1/photos?" + new URLSearchParams({ id: x.id, first_layer: layer, taken_at: x.taken }), blob: x.blob, type: x.blob.type || "image/jpeg", id: x.id })));
  const taken = (after) => withPictures(async (db) => { for (const x of after) await db.delete("waiting", x.id); });

  // Forms that the service worker could not deliver become entries.
  const aged = 120_000; // ms after which a form on its way is given up for lost
  const takeForms = () => alone("forms" + base, async () => {
    const db = await open();
    const forms = (await db.getAll("forms")).filter((f) => f.failed || Date.now() - f.at > aged);
    if (forms.length === 0) return;
    if (!window.outboxRecords) await load(root.dataset.records);
    for (const form of forms) {
      const made = await window.outboxRecords(form.path, new URLSearchParams(form.body), { person: form.person });
      const layer = made.find(({ record }) => record.kind === "first_layer");
      const after = layer ? await pictures(new URLSearchParams(form.body).get("id"), layer.record.id) : [];
      const tx = db.transaction(["entries", "forms"], "readwrite", { durability: "strict" });
      if (await tx.objectStore("forms").get(form.key)) {
        for (const x of made) {
          const { record, words, error } = x;
          await tx.objectStore("entries").add({ id: record.id, record, words, after: x === layer && after.length ? after : undefined, person: form.person ?? "", kept: now(), skew, state: error ? "refused" : "waiting", error });
        }
        await tx.objectStore("forms").delete(form.key);
      }
      await tx.done;
      await taken(after);
    }
  });
  const load = (src) => new Promise((done, fail) => {
    const script = document.createElement("script");
    script.src = src;
    script.onload = done;
    script.onerror = fail;
    document.head.append(script);
  });

  // show says how much waits, in every tab.
  const show = async () => {
    const db = await open();
    const entries = await db.getAll("entries");
    const forms = await db.count("forms");
    const refused = entries.filter((e) => e.state === "refused").length;
    const n = entries.length + forms;
    root.dataset.unsent = String(n);
    root.dataset.refused = String(refused);
    root.dataset.halt = halt;
    for (const mark of document.querySelectorAll("[data-unsent-mark]")) {
      mark.hidden = false;
      mark.classList.toggle("some", n > 0);
      mark.classList.toggle("refused", refused > 0);
      mark.querySelector("[data-unsent-count]").textContent = String(n);
      mark.querySelector("[data-unsent-words]").textContent = refused ? ` unsent, ${refused} refused` : " unsent";
    }
    for (const line of document.querySelectorAll("[data-unsent-line]")) {
      line.hidden = n === 0;
      line.querySelector("[data-unsent-count]").textContent = n === 1 ? "1 entry" : `${n} entries`;
    }
    window.dispatchEvent(new CustomEvent("outbox"));
    // A shared tablet tells the farm how much it keeps, so that nobody forgets it in a drawer.
    if (root.dataset.device === "tablet" && (await meta("told")) !== n) {
      const told = await fetch(base + "/who/unsent", { method: "POST", body: new URLSearchParams({ unsent: String(n) }), redirect: "manual" });
      if (told.ok) await setMeta("told", n);
    }
  };
  let showing;
  const refresh = () => showing ??= Promise.resolve().then(() => { showing = undefined; return show(); }).catch(() => {});
  const tell = () => { channel?.postMessage("changed"); refresh(); };

  // farm keeps the snapshot that forms without network go by.
  const farm = async () => {
    const kept = await meta("farm");
    const mine = kept?.me === root.dataset.me;
    if (mine && Date.now() - kept.asked < fresh) return;
    // Another person's goes; a shared tablet's serves whoever comes next until there is a newer one.
    if (kept && !mine && !kept.farm.shared) await (await open()).delete("meta", "farm");
    const began = Date.now();
    const answer = await fetch(base + "/offline/farm", { headers: { Accept: "application/json", ...(mine && kept.tag ? { "If-None-Match": kept.tag } : {}) }, cache: "no-store", redirect: "manual", signal: AbortSignal.timeout(patience) });
    await measure(answer, began);
    if (answer.status === 304) return setMeta("farm", { ...kept, asked: Date.now() });
    if (answer.ok) return setMeta("farm", { farm: await answer.json(), me: root.dataset.me, tag: answer.headers.get("ETag"), asked: Date.now() });
  };

  window.outbox = { add, pictures, taken, send, list, change, giveUp, now, uuid7, hex, meta, setMeta, open, refresh, off, get halt() { return halt; }, get skew() { return skew; } };

  const begin = async () => {
    if (off) {
      for (const line of document.querySelectorAll(`[data-off]`)) line.hidden = line.dataset.off !== off;
      root.dataset.outbox = "off";
      return;
    }
    for (const line of document.querySelectorAll("[data-off]")) line.hidden = true; // behind a proxy with https
    skew = (await meta("skew")) ?? 0;
    if (root.dataset.device === "revoked") await setMeta("revoked", true);
    else if (root.dataset.me) await setMeta("revoked", false);
    if (root.dataset.me) await setMeta("me", { handle: root.dataset.me, all: root.dataset.all === "yes" });
    channel?.addEventListener("message", refresh);
    addEventListener("online", send);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });
    await takeForms().catch(() => {});
    await refresh();
    send();
    root.dataset.outbox = "on";
    const worker = await navigator.serviceWorker.register(base + "/sw.js", { scope: base + "/", updateViaCache: "none" });
    if (root.dataset.me) {
      navigator.serviceWorker.ready.then((r) => r.active?.postMessage("fill"));
      farm().catch(() => {});
    }
    worker.update().catch(() => {});
  };
  begin().catch((error) => { root.dataset.outbox = "broken"; root.dataset.outboxError = String(error); });
})();
