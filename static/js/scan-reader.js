// Finds a code in a picture, away from the page so that the camera's view does not stall.
"use strict";

onmessage = (event) => {
  const { library, picture } = event.data;
  if (library) {
    importScripts(library);
    return;
  }
  postMessage(self.jsQR(picture.data, picture.width, picture.height)?.data ?? "");
};
