// The service worker: keeps the shell for work without network, and forms that
// could not be delivered. The server puts SHELL { base, version, files, pages,
// away, forms } and the address of idb before it. Never kept: answers to POST,
// event streams, pages with records.
"use strict";

const { base, version, files, pages, away, idbFile } = SHELL;
const kept = `basecourse${base}-${version}`;
const slow = 8000; // ms a form's page may take before the kept one is shown
importScripts(idbFile);
// The page's script makes the database; one that is not there yet has nothing to say.
const db = async () => {
  const found = await idb.openDB("basecourse" + base);
  if (found.objectStoreNames.contains("forms")) return found;
  found.close();
  await idb.deleteDB("basecourse" + base);
  throw new Error("no database yet");
};
const use = async (act) => { const d = await db(); try { return await act(d); } finally { d.close(); } };

const fill = async () => {
  const cache = await caches.open(kept);
  const there = new Set((await cache.keys()).map((r) => new URL(r.url).pathname));
  await cache.addAll([...files, ...pages].filter((f) => !there.has(f)).map((f) => new Request(f, { cache: "no-cache" })));
};
const clear = async (but) => {
  for (const name of await caches.keys()) if (name.startsWith(`basecourse${base}-`) && name !== but) await caches.delete(name);
};

// A new version takes over at once: the outbox is in IndexedDB and not here.
addEventListener("install", (event) => { skipWaiting(); event.waitUntil(fill()); });
addEventListener("activate", (event) => event.waitUntil(clear(kept).then(() => clients.claim())));
addEventListener("message", (event) => { if (event.data === "fill") event.waitUntil(fill().catch(() => {})); });

const isForm = (path) => path.startsWith(base + "/grade") || SHELL.forms.includes(path);
const shell = async (path) => (await caches.match(pages.includes(path) ? path : away, { ignoreVary: true })) ?? Response.error();

// Pages come from the network; what asks for a form without it gets the kept one.
const page = async (request, path) => {
  const form = isForm(path);
  try {
    const answer = await fetch(request, form ? { signal: AbortSignal.timeout(slow) } : undefined);
    return (form || pages.includes(path)) && [502, 503, 504].includes(answer.status) ? await shell(path) : answer;
  } catch {
    return shell(path);
  }
};

// A form is written down before it is sent, and struck out when it was answered.
// Without answer, or with nobody signed in, the page makes entries of it.
const deliver = async (request, path) => {
  const key = crypto.randomUUID();
  let noted = false;
  try {
    const body = await request.clone().text();
    await use(async (d) => d.put("forms", { key, path: path.slice(base.length), body, at: Date.now(), person: (await d.get("meta", "me"))?.handle }));
    noted = true;
  } catch { /* full, or no database: then it is sent as ever */ }
  const fail = () => use(async (d) => d.put("forms", { ...(await d.get("forms", key)), failed: true }));
  let answer;
  try {
    answer = await fetch(request);
  } catch {
    if (!noted) return Response.error();
    await fail();
    return shell(path);
  }
  if (!noted) return answer;
  if (answer.type !== "opaqueredirect" && (answer.status === 401 || answer.status === 429 || answer.status > 500)) {
    await fail();
    return answer.status === 401 ? answer : shell(path);
  }
  await use((d) => d.delete("forms", key));
  return answer;
};

// Who signs out leaves nothing to read on the device; the outbox stays. Without
// network a shared tablet must go on working: only the person is forgotten.
const leave = async (request) => {
  const answer = await fetch(request).catch(() => undefined);
  await use(async (d) => { await d.delete("meta", "me"); if (answer) await d.delete("meta", "farm"); }).catch(() => {});
  if (!answer) return shell(away);
  await clear();
  return answer;
};

addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== location.origin || !(url.pathname + "/").startsWith(base + "/")) return;
  if (request.mode === "navigate") {
    if (request.method === "GET") event.respondWith(page(request, url.pathname));
    else if ([base + "/sign-out", base + "/account/sign-out"].includes(url.pathname)) event.respondWith(leave(request));
    else if (isForm(url.pathname)) event.respondWith(deliver(request, url.pathname));
  } else if (files.includes(url.pathname)) {
    event.respondWith(caches.match(request, { ignoreVary: true }).then((hit) => hit ?? fetch(request)));
  }
});
