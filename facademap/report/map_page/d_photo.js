/* A photo in large: closer by buttons, wheel, double-click or + and -, moved by dragging or by the scroll bars and arrow keys. */
"use strict";
const Photo = (() => {
  const view = document.getElementById("photo-view"), room = view.querySelector(".photo-room"), image = view.querySelector("img");
  const MOST = 16, STEP = 1.5;
  let scale = 1, from = null;

  function fit() { scale = 1; place(); room.scrollTo(0, 0); }
  /* the place under the pointer, or the middle, stays where it is */
  function zoom(factor, at) {
    const before = scale; scale = Math.min(MOST, Math.max(1, scale * factor)); if (scale === before) return;
    const frame = room.getBoundingClientRect(), [x, y] = at || [frame.left + frame.width / 2, frame.top + frame.height / 2], was = image.getBoundingClientRect();
    place(); const is = image.getBoundingClientRect();
    room.scrollBy(is.left + (x - was.left) / was.width * is.width - x, is.top + (y - was.top) / was.height * is.height - y);
  }
  function place() {
    const whole = Math.min(room.clientWidth / image.naturalWidth, room.clientHeight / image.naturalHeight) || 1;
    image.style.width = image.naturalWidth * whole * scale + "px"; view.dataset.scale = scale.toFixed(2);
  }
  function open(source, words) {
    view.querySelector("strong").textContent = words; image.alt = words; view.showModal();
    image.onload = fit; image.src = source; if (image.complete && image.naturalWidth) fit(); room.focus();
  }
  function start() {
    for (const button of view.querySelectorAll("[data-step]")) button.onclick = () => { const step = +button.dataset.step; if (step) zoom(STEP ** step); else fit(); };
    view.querySelector("[data-close]").onclick = () => view.close();
    room.addEventListener("wheel", (e) => { e.preventDefault(); zoom(e.deltaY < 0 ? STEP : 1 / STEP, [e.clientX, e.clientY]); }, { passive: false });
    room.addEventListener("dblclick", (e) => zoom(STEP * STEP, [e.clientX, e.clientY]));
    view.addEventListener("keydown", (e) => { if (e.key === "+" || e.key === "=") zoom(STEP); else if (e.key === "-") zoom(1 / STEP); else if (e.key === "0") fit(); if (e.key === "Escape") e.stopPropagation(); });
    room.addEventListener("pointerdown", (e) => { if (e.pointerType === "touch") return; from = [e.clientX + room.scrollLeft, e.clientY + room.scrollTop]; room.setPointerCapture(e.pointerId); e.preventDefault(); room.focus(); });
    room.addEventListener("pointermove", (e) => { if (from) room.scrollTo(from[0] - e.clientX, from[1] - e.clientY); });
    for (const end of ["pointerup", "pointercancel"]) room.addEventListener(end, () => { from = null; });
    window.addEventListener("resize", () => { if (view.open) place(); });
  }
  return { open, start };
})();
