(() => {
"use strict";

const make = (tag, attributes, text) => {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text) node.textContent = text;
  return node;
};
const svgSpace = document.querySelector("svg") ? document.querySelector("svg").namespaceURI : "";
const draw = (tag, attributes) => {
  const node = document.createElementNS(svgSpace, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  return node;
};

// The contents follow the reader.
const contents = () => {
  const nav = document.querySelector(".frame > nav");
  const details = nav.querySelector("details");
  const here = nav.querySelector(".here");
  const narrow = matchMedia("(max-width: 61.99rem)");
  const marks = [...nav.querySelectorAll("a")]
    .map(link => ({ link, head: document.getElementById(decodeURIComponent(link.hash.slice(1))) }))
    .filter(mark => mark.head);
  const fold = () => { details.open = !narrow.matches; };
  narrow.addEventListener("change", fold);
  fold();
  nav.addEventListener("click", event => { if (narrow.matches && event.target.closest("a")) details.open = false; });
  let current = null;
  const follow = () => {
    const atEnd = innerHeight + scrollY >= document.documentElement.scrollHeight - 2;
    let found = null;
    // A heading that a link leads to stands above this line, the next one below it.
    const line = Math.max(90, innerHeight * 0.12);
    for (const mark of marks) {
      if (mark.head.getBoundingClientRect().top <= line) found = mark;
    }
    if (atEnd && scrollY > 0) found = marks[marks.length - 1];
    if (found === current) return;
    if (current) current.link.removeAttribute("aria-current");
    current = found;
    here.textContent = found ? found.link.textContent : "";
    if (!found) return;
    found.link.setAttribute("aria-current", "location");
    const link = found.link.getBoundingClientRect(), frame = nav.getBoundingClientRect();
    if (link.top < frame.top + 20 || link.bottom > frame.bottom - 20) {
      nav.scrollTop += link.top - frame.top - frame.height / 2;
    }
  };
  let asked = false;
  const ask = () => {
    if (asked) return;
    asked = true;
    requestAnimationFrame(() => { asked = false; follow(); });
  };
  addEventListener("scroll", ask, { passive: true });
  addEventListener("resize", ask);
  follow();
};

// Numbers as the document prints them.
const PREFIX = { "-15": "f", "-12": "p", "-9": "n", "-6": "\u00b5", "-3": "m", "0": "", "3": "k", "6": "M", "9": "G", "12": "T" };
const printed = (value, axis) => {
  if (axis.whole) return String(Math.round(value)).replace("-", "\u2212");
  let number = "0", power = 0;
  if (value !== 0) {
    const [mantissa, exponent] = value.toExponential(3).split("e");
    const [least, most] = axis.powers;
    power = Math.min(Math.max(Math.floor(Number(exponent) / 3) * 3, least), most);
    const shift = Number(exponent) - power;
    number = shift < -5 || shift > 9
      ? mantissa + "\u00b710^" + exponent.replace("+", "")
      : (Number(mantissa) * 10 ** shift).toFixed(Math.max(3 - shift, 0));
    if (shift < -5 || shift > 9) power = 0;
  }
  const unit = PREFIX[power] + axis.unit;
  return number.replaceAll("-", "\u2212") + (unit === "" ? "" : unit === "\u00b0" ? unit : "\u202f" + unit);
};

const place = (value, axis) => axis.log
  ? Math.log(value / axis.from) / Math.log(axis.to / axis.from)
  : (value - axis.from) / (axis.to - axis.from);

// The value of a curve: a computed point, or on the line between two.
const valueAt = (curve, x, axis) => {
  const xs = curve.x;
  if (!xs.length || x < xs[0] || x > xs[xs.length - 1]) return null;
  let low = 0, high = xs.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (xs[middle] <= x) low = middle; else high = middle;
  }
  if (xs[low] === x || low === high) return curve.y[low];
  if (xs[high] === x) return curve.y[high];
  const share = (place(x, axis) - place(xs[low], axis)) / (place(xs[high], axis) - place(xs[low], axis));
  return curve.y[low] + share * (curve.y[high] - curve.y[low]);
};

const reading = figure => {
  const chart = JSON.parse(figure.dataset.chart);
  const svg = figure.querySelector("svg");
  const [, , width] = svg.getAttribute("viewBox").split(" ").map(Number);
  const curves = [];
  for (const panel of chart.panels) {
    for (const curve of panel.curves) {
      if (typeof curve.x === "number") curve.x = panel.curves[curve.x].x;
      curves.push({ ...curve, panel, shown: true });
    }
  }
  const steps = [...new Set(curves.flatMap(curve => curve.x))]
    .filter(x => { const u = place(x, chart.x); return u >= -1e-9 && u <= 1 + 1e-9; })
    .sort((a, b) => a - b);
  if (!steps.length) return;

  const box = make("div", { class: "reading", role: "group", "aria-label": "Values" });
  const at = make("p", {}, "Point at the curves, or focus them and use the arrow keys, to read off values.");
  const list = make("ul", {});
  for (const curve of curves) {
    const label = curve.panel.y.label, own = curve.name && curve.name.toLowerCase() !== label.toLowerCase();
    const name = (own ? curve.name : label) + (own && chart.panels.length > 1 ? " (" + label + ")" : "");
    curve.title = name;
    const button = make("button", { type: "button", "aria-pressed": "true" });
    const swatch = draw("svg", { viewBox: "0 0 30 10", "aria-hidden": "true" });
    swatch.append(draw("path", { d: "M0 5H30", stroke: curve.colour, "stroke-width": 2, "stroke-dasharray": curve.dash || "none" }));
    button.append(swatch, make("span", {}, name));
    curve.output = make("output", { "aria-label": name });
    button.addEventListener("click", () => {
      curve.shown = !curve.shown;
      button.setAttribute("aria-pressed", String(curve.shown));
      for (const part of svg.querySelectorAll("g." + curve.group)) part.classList.toggle("off", !curve.shown);
      show();
    });
    const item = make("li", {});
    item.append(button, curve.output);
    list.append(item);
  }
  box.append(at, list);

  const reach = make("div", {
    class: "reach", role: "slider", tabindex: "0", "aria-label": "Read off values over " + chart.x.label,
    "aria-valuemin": "0", "aria-valuemax": String(steps.length - 1), "aria-valuenow": "0",
    "aria-valuetext": "no place chosen",
  });
  const line = draw("path", { class: "pointer", fill: "none", d: "" });
  svg.append(line);
  for (const curve of curves) {
    curve.spot = draw("circle", { class: "spot", r: 2.4, visibility: "hidden" });
    svg.append(curve.spot);
  }
  figure.querySelector(".plot").append(reach);
  figure.querySelector(".plot").after(box);

  let index = -1;
  const show = () => {
    if (index < 0) return;
    const x = steps[index];
    const where = chart.x.label + " " + printed(x, chart.x);
    const said = [where];
    at.textContent = where;
    let d = "";
    for (const panel of chart.panels) {
      const [left, top, right, bottom] = panel.frame;
      const px = left + place(x, chart.x) * (right - left);
      d += "M" + px + " " + top + "V" + bottom;
      for (const curve of curves.filter(curve => curve.panel === panel)) {
        const value = curve.shown ? valueAt(curve, x, chart.x) : null;
        curve.output.textContent = value === null ? "\u2013" : printed(value, panel.y);
        const v = value === null ? -1 : place(value, panel.y);
        const inside = v >= 0 && v <= 1;
        curve.spot.setAttribute("visibility", inside ? "visible" : "hidden");
        if (inside) {
          curve.spot.setAttribute("cx", px);
          curve.spot.setAttribute("cy", bottom - v * (bottom - top));
        }
        if (value !== null) said.push(curve.title + " " + printed(value, panel.y));
      }
    }
    line.setAttribute("d", d);
    reach.setAttribute("aria-valuenow", String(index));
    reach.setAttribute("aria-valuetext", said.join(", "));
  };
  const point = event => {
    const area = svg.getBoundingClientRect();
    const [left, , right] = chart.panels[0].frame;
    const u = ((event.clientX - area.left) / area.width * width - left) / (right - left);
    let low = 0, high = steps.length - 1;
    while (high - low > 1) {
      const middle = (low + high) >> 1;
      if (place(steps[middle], chart.x) <= u) low = middle; else high = middle;
    }
    index = Math.abs(place(steps[low], chart.x) - u) <= Math.abs(place(steps[high], chart.x) - u) ? low : high;
    show();
  };
  reach.addEventListener("pointermove", point);
  reach.addEventListener("pointerdown", point);
  const far = Math.max(1, Math.round(steps.length / 10));
  const keys = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -far, PageUp: far, Home: -Infinity, End: Infinity };
  reach.addEventListener("keydown", event => {
    if (!(event.key in keys) || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    const from = index < 0 ? Math.floor(steps.length / 2) : index;
    index = Math.min(Math.max(from + (index < 0 && Number.isFinite(keys[event.key]) ? 0 : keys[event.key]), 0), steps.length - 1);
    show();
  });
};

contents();
for (const figure of document.querySelectorAll("figure[data-chart]")) reading(figure);
})();
