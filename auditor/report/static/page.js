// Packed data, theme, units, sorting, pictures: the parts of the page that are no chart.
const byId = (id) => document.getElementById(id);

async function unpack(id) {
  const bytes = Uint8Array.from(atob(byId(id).textContent), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Response(stream).text();
}

const held = new Map();
function packed(id) {
  if (!held.has(id)) held.set(id, byId(id) ? unpack(id).then(JSON.parse) : Promise.resolve(null));
  return held.get(id);
}

function make(tag, text, className) {
  const node = document.createElement(tag);
  if (text !== undefined) node.textContent = text;
  if (className) node.className = className;
  return node;
}

// What happens once a thing comes near the screen.
function whenSeen(nodes, action, margin = "400px") {
  const watch = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      watch.unobserve(entry.target);
      action(entry.target);
    }
  }, { rootMargin: margin });
  nodes.forEach((node) => watch.observe(node));
}

// Theme: the system's, until the reader chooses.
function isNight() {
  const chosen = document.documentElement.dataset.theme;
  return chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
}

function remember(key, value) {
  try { localStorage.setItem(key, value); } catch { /* a page from disk may have no memory */ }
}

function recall(key) {
  try { return localStorage.getItem(key); } catch { return null; }
}

function showTheme() {
  const button = byId("theme");
  button.textContent = isNight() ? "Light" : "Dark";
  button.setAttribute("aria-label", `Change to ${isNight() ? "light" : "dark"} colours`);
  document.dispatchEvent(new Event("redraw"));
}

byId("theme").addEventListener("click", () => {
  document.documentElement.dataset.theme = isNight() ? "light" : "dark";
  remember("theme", document.documentElement.dataset.theme);
  showTheme();
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", showTheme);

// Units of sharpness. LW/PH = 2 x c/px x height in px; lp/mm = 1000 x c/px / pitch in micrometres.
const UNITS = {
  cpp: { name: "cycles per pixel", digits: 3, factor: () => 1 },
  best: { name: "% of the lens's best", digits: 0, factor: (f) => 100 / f.best },
  lpmm: { name: "line pairs per mm", digits: 1, factor: (f) => 1000 / f.pitch },
  lwph: { name: "line widths per picture height", digits: 0, factor: (f) => 2 * f.height },
};

function unitFor(table) {
  const unit = UNITS[byId("unit").value];
  const data = table.dataset;
  const factor = unit.factor({ best: +data.best, pitch: +data.pitch, height: +data.height });
  return Number.isFinite(factor) && factor > 0 ? { ...unit, scale: factor } : { ...UNITS.cpp, scale: 1 };
}

function showUnits() {
  for (const table of document.querySelectorAll("table.figures")) {
    const unit = unitFor(table);
    const part = table.closest(".part"); // the table and the drawing for paper
    for (const name of part.querySelectorAll(".unit-name")) name.textContent = unit.name;
    for (const cell of part.querySelectorAll(".cpp")) {
      cell.textContent = (cell.dataset.cpp * unit.scale).toFixed(unit.digits);
    }
  }
  document.dispatchEvent(new Event("redraw"));
}
byId("unit").addEventListener("change", () => { remember("unit", byId("unit").value); showUnits(); });

// Tables sort by the figure behind a cell (data-v) or by its text.
function sortBy(button) {
  const head = button.closest("th");
  const table = head.closest("table");
  const column = [...head.parentNode.children].indexOf(head);
  const down = head.getAttribute("aria-sort") === "ascending";
  for (const other of head.parentNode.children) other.removeAttribute("aria-sort");
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  const value = (row) => {
    const cell = row.children[column];
    return cell.dataset.v !== undefined ? +cell.dataset.v : cell.textContent.trim();
  };
  const order = (a, b) => (typeof a === "number" && typeof b === "number"
    ? a - b : String(a).localeCompare(String(b), undefined, { numeric: true }));
  const rows = [...table.tBodies[0].rows].map((row) => [value(row), row]);
  rows.sort((a, b) => (down ? order(b[0], a[0]) : order(a[0], b[0])));
  table.tBodies[0].append(...rows.map((pair) => pair[1]));
}
document.addEventListener("click", (event) => {
  const button = event.target.closest("button.sort");
  if (button) sortBy(button);
});

// The long list of keepers, a piece at a time. On a phone each figure says what it is.
const KEEPER_LABELS = ["", "", "", "measured", "possible", ""];
const all = byId("all-keepers");
if (all) {
  const more = all.querySelector(".more");
  const body = all.querySelector("tbody");
  let next = 0;
  const add = async () => {
    const rows = await packed("keeper-rows");
    for (const row of rows.slice(next, next + 200)) {
      const line = make("tr");
      const [path, fault, cause, measured, error, possible, evidence] = row;
      const figure = (value) => (value === null ? "" : value.toFixed(3));
      const told = figure(measured) + (measured !== null && error !== null ? ` ± ${figure(error)}` : "");
      [path, fault, cause, told, figure(possible), evidence].forEach((text, i) => {
        const cell = make(i ? "td" : "th");
        if (i === 3 || i === 4) { cell.className = "num"; cell.dataset.v = (i === 3 ? measured : possible) ?? -1; }
        if (text && KEEPER_LABELS[i]) cell.dataset.l = KEEPER_LABELS[i];
        if (text) cell.append(make("bdi", text));
        line.append(cell);
      });
      body.append(line);
    }
    next += 200;
    more.hidden = next >= rows.length;
  };
  all.addEventListener("toggle", () => { if (all.open && !next) add(); });
  more.addEventListener("click", add);
}

// On paper nothing can be unfolded: what is folded opens for it, and closes again after.
let unfolded = [];
addEventListener("beforeprint", () => {
  unfolded = [...document.querySelectorAll("details.lens:not([open]), details.cause:not([open])")];
  for (const part of unfolded) part.open = true;
});
addEventListener("afterprint", () => { for (const part of unfolded) part.open = false; });
byId("print").addEventListener("click", () => print());

// A link into a folded lens unfolds it.
function unfold() {
  const target = location.hash.length > 1 && byId(decodeURIComponent(location.hash.slice(1)));
  if (target && target.tagName === "DETAILS") target.open = true;
}
addEventListener("hashchange", unfold);
