"use strict";
// Reads values off the pictures and enlarges them. The page says everything without it, in tables and in the marks' titles.
for (const figure of document.querySelectorAll("figure")) {
  const svg = figure.querySelector("svg");
  if (!svg) continue;
  const full = svg.getAttribute("viewBox").split(" ").map(Number);
  let view = [...full];
  const make = (name, text) => Object.assign(document.createElement(name), { textContent: text });
  const reading = make("p", "");
  reading.className = "reading";
  reading.setAttribute("role", "status");
  const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
  line.setAttribute("class", "cursor");
  svg.append(line);

  const short = (value) => String(Number(value.toPrecision(4)));
  const rooms = [...svg.querySelectorAll("rect.room")].map((room) => {
    const [x, y, width, height] = ["x", "y", "width", "height"].map((name) => Number(room.getAttribute(name)));
    const [start, end, low, high] = room.dataset.edges.split(" ").map(Number);
    return { x, y, width, height, start, end, low, high, name: room.dataset.name, unit: room.dataset.unit };
  });
  const curves = [...svg.querySelectorAll("g[id$=curve] path")];
  rooms.forEach((room, index) => {
    const numbers = (curves[index]?.getAttribute("d") || "").match(/-?[\d.]+(e-?\d+)?/g) || [];
    room.corners = [];
    for (let k = 0; k + 1 < numbers.length; k += 2) room.corners.push([Number(numbers[k]), Number(numbers[k + 1])]);
  });
  let at = rooms.length ? rooms[0].x + rooms[0].width / 2 : 0;
  const read = (x) => {
    if (!rooms.length) return;
    const first = rooms[0], last = rooms[rooms.length - 1];
    at = Math.min(Math.max(x, first.x), first.x + first.width);
    const words = rooms.map((room) => {
      let near = null;
      for (const corner of room.corners) if (!near || Math.abs(corner[0] - at) < Math.abs(near[0] - at)) near = corner;
      if (!near) return room.name + ": no sample";
      const value = room.low + ((room.y + room.height - near[1]) / room.height) * (room.high - room.low);
      return room.name + " " + short(value) + " " + room.unit;
    });
    const time = first.start + ((at - first.x) / first.width) * (first.end - first.start);
    line.setAttribute("d", "M" + at + " " + first.y + "V" + (last.y + last.height));
    reading.textContent = "at " + short(time) + " s: " + words.join(", ");
  };

  const show = () => svg.setAttribute("viewBox", view.join(" "));
  const zoom = (factor, x = view[0] + view[2] / 2, y = view[1] + view[3] / 2) => {
    const width = Math.min(Math.max(view[2] / factor, full[2] / 32), full[2]);
    const ratio = width / view[2];
    view = [x - (x - view[0]) * ratio, y - (y - view[1]) * ratio, width, full[3] * (width / full[2])];
    move(0, 0);
  };
  const move = (x, y) => {
    view[0] = Math.min(Math.max(view[0] + x, full[0]), full[0] + full[2] - view[2]);
    view[1] = Math.min(Math.max(view[1] + y, full[1]), full[1] + full[3] - view[3]);
    show();
  };
  const reset = () => { view = [...full]; show(); };
  const place = (event) => {
    const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return [point.x, point.y];
  };

  const points = [...svg.querySelectorAll(".point")];
  for (const point of points) {
    for (const name of ["mouseenter", "focus"]) point.addEventListener(name, () => { reading.textContent = point.getAttribute("aria-label"); });
  }
  if (!points.length) {
    svg.setAttribute("tabindex", "0");
    svg.addEventListener("mousemove", (event) => read(place(event)[0]));
    svg.addEventListener("focus", () => read(at));
  }
  svg.addEventListener("dblclick", (event) => { event.preventDefault(); zoom(2, ...place(event)); });
  let held = null;
  svg.addEventListener("pointerdown", (event) => { held = place(event); });
  svg.addEventListener("pointermove", (event) => {
    if (!held || view[2] === full[2]) return;
    const [x, y] = place(event);
    move(held[0] - x, held[1] - y);
  });
  for (const name of ["pointerup", "pointerleave"]) svg.addEventListener(name, () => { held = null; });
  const keys = {
    "+": () => zoom(2), "=": () => zoom(2), "-": () => zoom(0.5), 0: reset,
    ArrowLeft: () => (view[2] < full[2] || points.length ? move(-view[2] / 10, 0) : read(at - rooms[0].width / 100)),
    ArrowRight: () => (view[2] < full[2] || points.length ? move(view[2] / 10, 0) : read(at + rooms[0].width / 100)),
    ArrowUp: () => move(0, -view[3] / 10), ArrowDown: () => move(0, view[3] / 10),
  };
  svg.addEventListener("keydown", (event) => {
    const arrow = event.key.startsWith("Arrow") && view[2] === full[2] && (points.length || /Up|Down/.test(event.key));
    if (!keys[event.key] || arrow || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    keys[event.key]();
  });
  const bar = make("p", "");
  bar.className = "tools";
  for (const [text, say, act] of [["+", "enlarge", () => zoom(2)], ["\u2212", "reduce", () => zoom(0.5)], ["whole", "show the whole picture", reset]]) {
    const button = make("button", text);
    button.type = "button";
    button.setAttribute("aria-label", say);
    button.addEventListener("click", act);
    bar.append(button);
  }
  figure.append(reading, bar);
}
