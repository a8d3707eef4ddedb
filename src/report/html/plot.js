"use strict";
(() => {
  const WIDTH = 10000, HEIGHT = 1000, SMALLEST = 40;
  const box = document.getElementById("plots");
  const spanS = Number(box.dataset.span), fromS = Number(box.dataset.from), top = Number(box.dataset.top);

  // The points of a path: x, and the lowest and highest y of each.
  const points = (path) => {
    const found = [];
    for (const [, letter, numbers] of path.getAttribute("d").matchAll(/([MLV])([\d ]+)/g)) {
      const [first, second] = numbers.split(" ").map(Number);
      if (letter === "V") {
        const last = found[found.length - 1];
        last.low = Math.min(last.low, first);
        last.high = Math.max(last.high, first);
      } else {
        found.push({ x: first, low: second, high: second, starts: letter === "M" });
      }
    }
    return found;
  };
  const plots = [...box.querySelectorAll("figure")].map((figure) => ({
    name: figure.querySelector("figcaption").firstChild.textContent,
    area: figure.querySelector(".area"),
    svg: figure.querySelector("svg"),
    own: points(figure.querySelector(".own")),
    grid: figure.querySelector(".grid"),
    cursor: figure.querySelector(".cursor"),
    times: [...figure.querySelectorAll(".times span")],
  }));

  let from = 0, width = WIDTH, at = null;

  const clock = (seconds, digits) => {
    const sign = seconds < 0 ? "−" : "";
    const unit = 10 ** digits, whole = Math.round(Math.abs(seconds) * unit);
    const minutes = Math.floor(whole / (60 * unit)), rest = (whole % (60 * unit)) / unit;
    return sign + minutes + ":" + rest.toFixed(digits).padStart(digits ? 3 + digits : 2, "0");
  };
  const timeOf = (x) => fromS + (x / WIDTH) * spanS;
  const nearest = (list, x) => {
    let low = 0, high = list.length - 1;
    if (high < 0) return null;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (list[middle].x < x) low = middle + 1; else high = middle;
    }
    if (low > 0 && x - list[low - 1].x < list[low].x - x) low -= 1;
    return list[low];
  };
  const speed = (y) => ((1 - y / HEIGHT) * top).toFixed(1);
  const reading = (point) => {
    if (!point || Math.abs(point.x - at) > Math.max(width / 50, 20)) return "no value";
    const slow = speed(point.high), fast = speed(point.low);
    return slow === fast ? slow : slow + " to " + fast;
  };

  const tools = document.createElement("div");
  tools.className = "tools";
  tools.setAttribute("role", "group");
  tools.setAttribute("aria-label", "Zoom of all four plots");
  const output = document.createElement("output");
  const button = (words, act) => {
    const made = document.createElement("button");
    made.type = "button";
    made.textContent = words;
    made.addEventListener("click", act);
    tools.append(made);
  };

  const show = () => {
    const digits = (width / WIDTH) * spanS < 20 ? 1 : 0;
    for (const plot of plots) {
      const lines = plot.times.map((_, index) => `M${from + (width * index) / (plot.times.length - 1)} 0V${HEIGHT}`);
      const levels = [0, HEIGHT / 2, HEIGHT].map((y) => `M${from} ${y}h${width}`);
      plot.grid.setAttribute("d", lines.concat(levels).join(""));
      plot.svg.setAttribute("viewBox", `${from} 0 ${width} ${HEIGHT}`);
      plot.times.forEach((label, index) => {
        label.textContent = clock(timeOf(from + (width * index) / (plot.times.length - 1)), digits);
      });
      plot.cursor.setAttribute("d", at === null ? "" : `M${at} 0V${HEIGHT}`);
    }
    output.textContent = at === null
      ? "Point at a plot, or focus one and use the arrow keys, to read it. Drag over a stretch of time to enlarge it."
      : `At ${clock(timeOf(at), 1)}: ` + plots.map((plot) => `${plot.name} ${reading(nearest(plot.own, at))}`).join("; ");
  };
  const look = (newFrom, newWidth) => {
    width = Math.min(WIDTH, Math.max(SMALLEST, newWidth));
    from = Math.min(WIDTH - width, Math.max(0, newFrom));
    show();
  };
  const zoom = (factor) => {
    const centre = at !== null && at >= from && at <= from + width ? at : from + width / 2;
    look(centre - (centre - from) * factor, width * factor);
  };
  const shift = (share) => look(from + width * share, width);
  const whole = () => look(0, WIDTH);
  const step = (share) => {
    const start = at === null ? from + width / 2 : at + width * share;
    at = Math.min(WIDTH, Math.max(0, start));
    if (at < from) look(at, width);
    else if (at > from + width) look(at - width, width);
    else show();
  };

  button("Enlarge (+)", () => zoom(0.5));
  button("Reduce (−)", () => zoom(2));
  button("Earlier", () => shift(-0.5));
  button("Later", () => shift(0.5));
  button("Whole drive (Home)", whole);
  tools.append(output);
  box.before(tools);

  const keys = {
    "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2),
    ArrowLeft: () => step(-0.01), ArrowRight: () => step(0.01),
    PageUp: () => shift(-0.5), PageDown: () => shift(0.5), Home: whole,
  };
  for (const { area, name } of plots) {
    area.tabIndex = 0;
    area.setAttribute("role", "group");
    area.setAttribute("aria-label", `${name}: arrow keys read, plus and minus zoom, page keys move, Home shows all`);
    area.addEventListener("keydown", (event) => {
      const act = keys[event.key];
      if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      output.setAttribute("aria-live", "polite");
      act();
    });
    let start = null;
    const place = (event) => {
      const edges = area.getBoundingClientRect();
      return from + Math.min(1, Math.max(0, (event.clientX - edges.left) / edges.width)) * width;
    };
    area.addEventListener("pointerdown", (event) => {
      if (event.pointerType === "mouse" && event.button === 0) start = place(event);
    });
    area.addEventListener("pointermove", (event) => {
      output.setAttribute("aria-live", "off");
      at = place(event);
      show();
    });
    area.addEventListener("pointerup", (event) => {
      const end = place(event);
      if (start !== null && Math.abs(end - start) > width / 50) look(Math.min(start, end), Math.abs(end - start));
      start = null;
    });
    area.addEventListener("pointerleave", () => { start = null; });
    area.addEventListener("dblclick", whole);
  }
  addEventListener("beforeprint", whole);
  show();
})();
