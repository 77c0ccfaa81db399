// Photos of first layers: made small on the device, kept on it until the server has
// them, sent after the record they belong to. Saving never waits for one. Without
// this script the saved layer's page has an ordinary form.
"use strict";

{
  const longest = 1600;
  const root = document.documentElement;
  const place = document.querySelector("[data-photos]"); // a saved layer's page
  const take = document.querySelector("[data-take-photo]"); // the grading page
  const grade = document.querySelector("[data-grade-form]");
  const pick = document.querySelector("[data-photo-pick]");
  const said = document.querySelector("[data-photo-said]");
  const say = (words) => { if (said) said.textContent = words; };
  const to = () => place?.dataset.to;

  // UUIDv7 (RFC 9562 5.7).
  const newID = () => {
    const b = crypto.getRandomValues(new Uint8Array(16));
    let t = Date.now();
    for (let i = 5; i >= 0; i--) { b[i] = t % 256; t = Math.floor(t / 256); }
    b[6] = (b[6] & 0x0f) | 0x70;
    b[8] = (b[8] & 0x3f) | 0x80;
    const h = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
    return `${h.slice(0, 8)}-${h.slice(8, 12)}-${h.slice(12, 16)}-${h.slice(16, 20)}-${h.slice(20)}`;
  };

  // What waits on this device.
  const opened = new Promise((done, fail) => {
    const r = indexedDB.open("basecourse-photos", 1);
    r.onupgradeneeded = () => r.result.createObjectStore("waiting", { keyPath: "id" });
    r.onsuccess = () => done(r.result);
    r.onerror = () => fail(r.error);
  });
  const store = async (mode, act) => {
    const db = await opened;
    return new Promise((done, fail) => {
      const t = db.transaction("waiting", mode);
      const r = act(t.objectStore("waiting"));
      t.oncomplete = () => done(r.result);
      t.onerror = () => fail(t.error);
    });
  };
  const all = () => store("readonly", (s) => s.getAll());
  const put = (x) => store("readwrite", (s) => s.put(x));
  const drop = (id) => store("readwrite", (s) => s.delete(id));

  // Upright and small. What this browser cannot read goes as it is: the server says
  // what is wrong with it.
  const small = async (file) => {
    try {
      const whole = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, longest / Math.max(whole.width, whole.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.max(1, Math.round(whole.width * scale));
      canvas.height = Math.max(1, Math.round(whole.height * scale));
      canvas.getContext("2d").drawImage(whole, 0, 0, canvas.width, canvas.height);
      whole.close();
      return (await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85))) ?? file;
    } catch {
      return file;
    }
  };

  const show = (blob) => {
    const figure = document.createElement("figure");
    figure.className = "photo";
    const img = document.createElement("img");
    img.src = URL.createObjectURL(blob);
    img.alt = "The photo that was just added";
    figure.append(img);
    let list = place?.querySelector(".photos");
    if (place && !list) {
      list = document.createElement("div");
      list.className = "photos";
      place.querySelector("h2").after(list);
    }
    list?.prepend(figure);
  };

  // One sender at a time on this device, in the order they were taken.
  let sending = false;
  const send = async () => {
    if (sending || !to() || root.dataset.device === "revoked") return;
    sending = true;
    try {
      for (const x of (await all()).filter((w) => w.layer && !w.refused).sort((a, b) => a.taken.localeCompare(b.taken))) {
        const query = new URLSearchParams({ id: x.id, first_layer: x.layer, taken_at: x.taken });
        const answer = await fetch(`${to()}?${query}`, { method: "POST", body: x.blob, headers: { "Content-Type": x.blob.type || "image/jpeg", Accept: "application/json" } });
        if (answer.ok) {
          await drop(x.id);
          if (place?.dataset.photos === x.layer) { show(x.blob); say("Photo sent."); }
        } else if ([401, 429, 503].includes(answer.status)) {
          say("The photo is kept on this tablet. It is sent later.");
          return;
        } else {
          const problem = await answer.json().catch(() => ({}));
          await put({ ...x, refused: problem.detail ?? "Refused." });
          say(`The photo was refused: ${problem.detail ?? ""} Pick another.`);
        }
      }
    } catch {
      say("No network. The photo is kept on this tablet and sent later.");
    } finally {
      sending = false;
    }
  };

  const begin = async () => {
    const formID = grade?.querySelector("input[name=id]")?.value;
    if (take instanceof HTMLElement && grade) {
      take.hidden = false;
      grade.addEventListener("submit", () => sessionStorage.setItem("photo-form", formID));
    }
    pick?.addEventListener("change", async () => {
      const file = pick.files?.[0];
      if (!file) return;
      const blob = await small(file);
      await put({ id: newID(), form: formID, layer: place?.dataset.photos, taken: new Date().toISOString(), blob });
      pick.value = "";
      if (place) return send();
      say("The photo is sent after the grade is saved.");
      take?.setAttribute("data-taken", "");
    });
    place?.querySelector(".photo-form button")?.setAttribute("hidden", ""); // picking sends
    // A grade was just saved: its photos know now which layer they show.
    const saved = sessionStorage.getItem("photo-form");
    const old = new Date(Date.now() - 7 * 24 * 3600e3).toISOString();
    for (const x of await all()) {
      if (place && saved && x.form === saved && !x.layer && document.querySelector(".saved")) await put({ ...x, layer: place.dataset.photos });
      else if ((!x.layer || x.refused) && x.taken < old) await drop(x.id);
    }
    if (place && saved) sessionStorage.removeItem("photo-form");
    await send();
    addEventListener("online", send);
    document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });
    (take ?? place)?.setAttribute("data-photos-ready", "");
  };
  begin().catch(() => {}); // without storage the form is there
}
