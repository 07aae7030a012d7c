// Adds one thing to a page that is complete without it: where you stand, drawn on the map of the field.
(() => {
  "use strict";
  const box = document.getElementById("here");
  const map = document.getElementById("map");
  if (!box || !map || !("geolocation" in navigator)) return;
  const button = box.querySelector("button");
  const note = box.querySelector("[role=status]");
  const words = box.dataset;
  const [a, b, c, d, e, f] = map.dataset.affine.split(" ").map(Number);
  const metres = Number(map.dataset.metres);
  const [, , width, height] = map.getAttribute("viewBox").split(" ").map(Number);
  const dot = document.getElementById("dot");
  const ring = document.getElementById("ring");
  let watch = null;
  box.hidden = false;

  const fill = (text, values) => text.replace(/\[(\w+)\]/g, (whole, key) => (key in values ? values[key] : whole));
  const say = (text) => { note.textContent = text; };

  function length(m) {
    if (words.system === "us") {
      const feet = m / 0.3048;
      return feet < 2000 ? `${Math.round(feet / 10) * 10} ${words.ft}` : `${(m / 1609.344).toFixed(1)} ${words.mi}`;
    }
    return m < 1000 ? `${Math.round(m / 5) * 5} ${words.m}` : `${(m / 1000).toFixed(1)} ${words.km}`;
  }

  function show(position) {
    const { longitude: lon, latitude: lat, accuracy } = position.coords;
    const x = a * lon + b * lat + c;
    const y = d * lon + e * lat + f;
    const inside = x >= 0 && y >= 0 && x <= width && y <= height;
    for (const mark of [dot, ring]) {
      mark.setAttribute("cx", x.toFixed(1));
      mark.setAttribute("cy", y.toFixed(1));
      mark.style.display = inside ? "inline" : "none";
    }
    ring.setAttribute("r", Math.min(accuracy / metres, width * 2).toFixed(1));
    if (inside) {
      say(fill(accuracy / metres > width / 2 ? words.rough : words.found, { accuracy: length(accuracy) }));
      return;
    }
    // Straight up on the picture is not quite north: turn back by the slope of the latitude line.
    const dx = (width / 2 - x) * metres;
    const dy = (y - height / 2) * metres;
    const turn = Math.atan2(b, -e);
    const bearing = (Math.atan2(dx, dy) - turn + 4 * Math.PI) % (2 * Math.PI);
    const way = words.ways.split("|")[Math.round(bearing / (Math.PI / 4)) % 8];
    say(fill(words.outside, { distance: length(Math.hypot(dx, dy)), way }));
  }

  function stop(text) {
    if (watch !== null) navigator.geolocation.clearWatch(watch);
    watch = null;
    button.textContent = words.start;
    button.setAttribute("aria-pressed", "false");
    dot.style.display = ring.style.display = "none";
    say(text);
  }

  button.addEventListener("click", () => {
    if (watch !== null) {
      stop("");
      return;
    }
    button.textContent = words.stop;
    button.setAttribute("aria-pressed", "true");
    say(words.wait);
    watch = navigator.geolocation.watchPosition(
      show,
      (error) => (error.code === 3 ? say(words.wait) : stop(error.code === 1 ? words.refused : words.failed)),
      { enableHighAccuracy: true, timeout: 30000, maximumAge: 5000 },
    );
  });
})();
