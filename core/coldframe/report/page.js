"use strict";
// The page reads the same without this: it makes tables sortable, pictures slide over each other,
// and lights show themselves.

function sortKey(row, column) {
  const cell = row.cells[column];
  const key = cell.dataset.v ?? cell.textContent;
  return key === "" || key === "–" ? null : key;
}

function compare(a, b) {
  const x = Number(a), y = Number(b);
  return isNaN(x) || isNaN(y) ? a.localeCompare(b, "en", { numeric: true }) : x - y;
}

function sortBy(table, heading) {
  const column = heading.cellIndex;
  const down = heading.getAttribute("aria-sort") === "ascending";
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  rows.sort((one, two) => {
    const a = sortKey(one, column), b = sortKey(two, column);
    if (a === null || b === null) return (a === null) - (b === null); // unknown ones come last
    return down ? compare(b, a) : compare(a, b);
  });
  for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
  heading.setAttribute("aria-sort", down ? "descending" : "ascending");
  body.append(...rows);
}

for (const table of document.querySelectorAll("table.sortable")) {
  for (const heading of table.tHead.rows[0].cells) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...heading.childNodes);
    button.addEventListener("click", () => sortBy(table, heading));
    heading.append(button);
  }
}

// Two pictures of one field are easiest to compare in one place: one over the other, with a slider
// that says where one ends and the other begins.
function makeSlider(pair) {
  const figures = Array.from(pair.querySelectorAll("figure"));
  const [first, second] = figures.map((figure) => figure.querySelector("img"));
  if (!second || ["width", "height"].some((name) => first.getAttribute(name) !== second.getAttribute(name))) return;
  const names = figures.map((figure, i) => figure.querySelector("figcaption b")?.textContent ?? ["the first", "the second"][i]);
  const line = document.createElement("div");
  line.className = "slider";
  const range = document.createElement("input");
  Object.assign(range, { type: "range", min: 0, max: 100, step: 1, value: 50 });
  range.setAttribute("aria-label", `${names[0]} on the left, ${names[1]} on the right: where they meet`);
  const ends = names.map((name) => {
    const end = document.createElement("span");
    end.textContent = name;
    return end;
  });
  const both = document.createElement("button");
  both.type = "button";
  line.append(ends[0], range, ends[1], both);
  const show = () => {
    pair.style.setProperty("--split", `${range.value}%`);
    range.setAttribute("aria-valuetext", `${range.value}% ${names[0]}, ${100 - range.value}% ${names[1]}`);
  };
  const lay = (sliding) => {
    pair.classList.toggle("sliding", sliding);
    both.textContent = sliding ? "Side by side" : "One over the other";
    range.hidden = !sliding;
  };
  range.addEventListener("input", show);
  both.addEventListener("click", () => lay(!pair.classList.contains("sliding")));
  const drag = (event) => {
    if (!pair.classList.contains("sliding") || !(event.buttons & 1)) return;
    const box = first.getBoundingClientRect();
    range.value = Math.round((100 * (event.clientX - box.left)) / box.width);
    show();
  };
  for (const picture of [first, second]) picture.draggable = false;
  pair.addEventListener("pointerdown", drag);
  pair.addEventListener("pointermove", drag);
  pair.after(line);
  lay(true);
  show();
  if (pair.classList.contains("blink")) makeBlink(line, range, show, names, () => lay(true));
}

// Blinking shows what moves or changes between the two: one picture at a time in the same place.
// It changes once a second, starts only when asked to, and not where motion is unwanted.
function makeBlink(line, range, show, names, lay) {
  const swap = document.createElement("button"), steady = document.createElement("button");
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  swap.type = steady.type = "button";
  swap.textContent = `Swap ${names[0]} and ${names[1]}`;
  let timer = 0;
  const turn = (speak) => {
    range.value = Number(range.value) > 50 ? 0 : 100;
    lay();
    show();
    said.textContent = speak ? `Showing ${names[Number(range.value) > 50 ? 0 : 1]}` : "Blinking";
  };
  const stop = () => {
    clearInterval(timer);
    timer = 0;
    steady.textContent = "Blink once a second";
    steady.setAttribute("aria-pressed", "false");
  };
  stop();
  swap.addEventListener("click", () => { stop(); turn(true); });
  range.addEventListener("input", () => { stop(); said.textContent = ""; });
  steady.addEventListener("click", () => {
    if (timer) { stop(); said.textContent = "Stopped"; return; }
    timer = setInterval(turn, 1000, false);
    steady.textContent = "Stop blinking";
    steady.setAttribute("aria-pressed", "true");
    turn(false);
  });
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const mind = () => { steady.hidden = calm.matches; if (calm.matches) stop(); };
  calm.addEventListener("change", mind);
  mind();
  line.append(swap, steady, said);
}
for (const pair of document.querySelectorAll(".pictures.pair")) makeSlider(pair);

// A light chosen in the strip or in a plot is shown with its numbers and stands out in all plots.
function makeTimeline(timeline) {
  const buttons = Array.from(timeline.querySelectorAll("button[data-frame]"));
  const chosen = timeline.querySelector(".chosen");
  const points = new Map();
  for (const point of document.querySelectorAll("use[data-frame]")) {
    const name = point.dataset.frame;
    points.set(name, [...(points.get(name) ?? []), point]);
  }
  let current = null;
  const show = (name, scroll) => {
    const button = buttons.find((one) => one.dataset.frame === name);
    if (!button || name === current) return;
    for (const point of points.get(current) ?? []) point.classList.remove("on");
    for (const point of points.get(name) ?? []) point.classList.add("on");
    current = name;
    for (const one of buttons) {
      one.tabIndex = one === button ? 0 : -1;
      one.setAttribute("aria-current", String(one === button));
    }
    const title = document.createElement("b");
    title.textContent = button.textContent.trim();
    const picture = button.querySelector("img")?.cloneNode();
    const facts = button.parentElement.querySelector(".facts").cloneNode(true);
    chosen.classList.toggle("aside", button.parentElement.classList.contains("aside"));
    chosen.replaceChildren(...[picture, title, facts].filter(Boolean));
    if (scroll) {
      const strip = button.closest("ol");
      strip.scrollLeft = button.parentElement.offsetLeft - strip.clientWidth / 2;
    }
  };
  for (const [place, button] of buttons.entries()) {
    const name = button.dataset.frame;
    for (const kind of ["pointerenter", "focus", "click"]) button.addEventListener(kind, () => show(name));
    button.addEventListener("keydown", (event) => {
      const to = { ArrowRight: place + 1, ArrowLeft: place - 1, Home: 0, End: buttons.length - 1 }[event.key];
      if (to === undefined || !buttons[to]) return;
      event.preventDefault();
      buttons[to].focus();
    });
  }
  for (const [name, own] of points) {
    for (const point of own) {
      for (const kind of ["pointerenter", "click"]) point.addEventListener(kind, () => show(name, true));
    }
  }
  timeline.classList.add("live");
  if (buttons.length) show(buttons[0].dataset.frame);
}
for (const timeline of document.querySelectorAll(".timeline")) makeTimeline(timeline);

function spoken(seconds) {
  const minutes = Math.round(seconds / 60), hours = Math.floor(minutes / 60);
  return hours ? `${hours} h ${minutes % 60} min` : `${minutes} min`;
}

// How many lights a target depth takes: the stack's variance is spread / n + floor.
for (const form of document.querySelectorAll("form.target-depth")) {
  const [spread, floor, lights, exposure] = ["spread", "floor", "lights", "exposure"].map((name) => Number(form.dataset[name]));
  const input = form.querySelector("input"), output = form.querySelector("output");
  const answer = () => {
    const noise2 = (spread / lights + floor) * 10 ** (-0.8 * Number(input.value));
    const needed = noise2 > floor ? Math.ceil(spread / (noise2 - floor) - 1e-9) : Infinity;
    if (input.value === "" || !(needed < 1e5)) {
      output.textContent = input.value === "" ? "" : "is out of reach: the masters' own noise is above that.";
      return;
    }
    const more = Math.max(0, needed - lights);
    output.textContent = `takes ${needed} lights, ${more} more than now${exposure && more ? `: ${spoken(more * exposure)} of exposure` : ""}.`;
  };
  form.addEventListener("submit", (event) => event.preventDefault());
  input.addEventListener("input", answer);
  form.hidden = false;
  answer();
}
