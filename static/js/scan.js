// Reads the code of a label with the device's camera into a field. It comes only when
// somebody asks for it: the field's page names this file, its reader and its library.
//
// start(input) opens the camera over the page. What a label says goes into the field as
// its tag; a field for many takes one after the other until it is closed.

/** The tag in a label's address, or what was read when it is no address. */
export function tagOf(text) {
  const at = text.lastIndexOf("/s/");
  if (at < 0 || !text.slice(0, at).includes("://")) return text.trim().slice(0, 64);
  try {
    return decodeURIComponent(text.slice(at + 3).split(/[?#]/)[0]);
  } catch {
    return "";
  }
}

// A reader gives the text of the code in a picture, or nothing.
async function readerFor(input) {
  if ("BarcodeDetector" in window) {
    const kinds = await window.BarcodeDetector.getSupportedFormats().catch(() => []);
    if (kinds.includes("qr_code")) {
      const detector = new window.BarcodeDetector({ formats: ["qr_code"] });
      return { read: async (video) => (await detector.detect(video).catch(() => []))[0]?.rawValue, end: () => {} };
    }
  }
  const worker = new Worker(input.dataset.scanReader);
  worker.postMessage({ library: input.dataset.scanLibrary });
  const canvas = document.createElement("canvas");
  const draw = canvas.getContext("2d", { willReadFrequently: true });
  return {
    read: (video) =>
      new Promise((done) => {
        const scale = Math.min(1, 640 / Math.max(video.videoWidth, video.videoHeight));
        canvas.width = Math.round(video.videoWidth * scale);
        canvas.height = Math.round(video.videoHeight * scale);
        draw.drawImage(video, 0, 0, canvas.width, canvas.height);
        const picture = draw.getImageData(0, 0, canvas.width, canvas.height);
        worker.onmessage = (event) => done(event.data);
        worker.onerror = () => done(undefined);
        worker.postMessage({ picture }, [picture.data.buffer]);
      }),
    end: () => worker.terminate(),
  };
}

const sayings = {
  NotAllowedError: "The camera may not be used here. Allow it in the browser's settings, or type the tag.",
  NotFoundError: "This device has no camera. Type the tag.",
  NotReadableError: "Another program uses the camera. Close it, or type the tag.",
};

function element(name, words, attributes = {}) {
  const e = document.createElement(name);
  e.textContent = words;
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  return e;
}

export async function start(input) {
  const many = input instanceof HTMLTextAreaElement;
  const dialog = element("dialog", "", { class: "scan", "aria-label": "Scan a label" });
  const video = element("video", "", { playsinline: "", muted: "", "aria-hidden": "true" });
  const said = element("p", "Hold a label before the camera.", { role: "status" });
  const close = element("button", many ? "Done" : "Cancel", { type: "button", class: "button" });
  dialog.append(video, said, close);
  document.body.append(dialog);
  let stream;
  let reader;
  let over = false;
  close.addEventListener("click", () => dialog.close());
  dialog.addEventListener("close", () => {
    over = true;
    for (const track of stream?.getTracks() ?? []) track.stop();
    reader?.end();
    dialog.remove();
    input.focus();
  });
  dialog.showModal();
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment", width: { ideal: 1280 } }, audio: false });
    reader = await readerFor(input);
    if (over) {
      for (const track of stream.getTracks()) track.stop();
      reader.end();
      return;
    }
    video.muted = true;
    video.srcObject = stream;
    await video.play();
  } catch (err) {
    said.textContent = sayings[err.name] ?? "The camera does not start. Type the tag.";
    return;
  }
  let last = "";
  while (!over) {
    const text = video.videoWidth ? await reader.read(video) : "";
    const tag = text ? tagOf(text) : "";
    if (tag && tag !== last && !over) {
      last = tag;
      input.value = many && input.value.trim() ? `${input.value.trimEnd()}\n${tag}` : tag;
      input.dispatchEvent(new Event("input", { bubbles: true }));
      input.dispatchEvent(new Event("change", { bubbles: true }));
      said.textContent = `${tag} read.`;
      navigator.vibrate?.(40);
      if (!many) dialog.close();
    }
    await new Promise((next) => setTimeout(next, 120));
  }
}
