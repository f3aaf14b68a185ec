// Packed data, theme, units, sorting, pictures: the parts of the page that are no chart.
const byId = (id) => document.getElementById(id);

async function unpack(id) {
  const held = byId(id);
  if (held.type === "application/json") return held.textContent;
  const bytes = Uint8Array.from(atob(held.textContent), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Response(stream).text();
}

const opened = new Map();
function packed(id) {
  if (!opened.has(id)) opened.set(id, byId(id) ? unpack(id).then(JSON.parse) : Promise.resolve(null));
  return opened.get(id);
}

function make(tag, text, className) {
  const node = document.createElement(tag);
  if (text !== undefined) node.textContent = text;
  if (className) node.className = className;
  return node;
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
  if (!byId("unit")) return { ...UNITS.cpp, scale: 1 };
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
}
byId("unit")?.addEventListener("change", () => { remember("unit", byId("unit").value); showUnits(); });

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

// The long list of frames that fell short, a piece at a time. On a phone each figure says what it is.
const FALLEN_LABELS = ["", "", "", "sure", "measured", "possible", ""];
const all = byId("all-keepers");
function fallenRow([path, link, fault, cause, sure, measured, possible, evidence]) {
  const line = make("tr");
  const figure = (value) => (value === null ? "" : value.toFixed(3));
  const share = sure === null ? "" : sure > 0.99 ? "over 99%" : `${Math.round(100 * sure)}%`;
  [path, fault, cause, share, figure(measured), figure(possible), evidence].forEach((text, i) => {
    const cell = make(i ? "td" : "th");
    if (i >= 3 && i <= 5) { cell.className = "num"; cell.dataset.v = [sure, measured, possible][i - 3] ?? -1; }
    if (text && FALLEN_LABELS[i]) cell.dataset.l = FALLEN_LABELS[i];
    if (text) cell.append(i ? make("bdi", text) : fileName(text, link));
    line.append(cell);
  });
  return line;
}

// The name of a file, as a link that opens it where its address is known.
function fileName(text, link) {
  const name = make("bdi", text);
  if (!link) return name;
  const out = make("a", undefined, "file");
  out.href = link;
  out.append(name);
  return out;
}

if (all) {
  const more = all.querySelector(".more");
  const body = all.querySelector("tbody");
  let next = 0;
  const add = async () => {
    const rows = await packed("keeper-rows");
    body.append(...rows.slice(next, next + 200).map(fallenRow));
    next += 200;
    more.hidden = next >= rows.length;
  };
  all.addEventListener("toggle", () => { if (all.open && !next) add(); });
  more.addEventListener("click", add);
}

// Answers: chosen under a frame, then saved as a file or copied as a command.
const chosen = new Map(); // path -> answer
function showAnswers() {
  const bar = document.querySelector(".answering");
  bar.hidden = !chosen.size;
  byId("answered").textContent = `${chosen.size} ${chosen.size === 1 ? "answer" : "answers"} not saved yet.`;
}
const quoted = (text) => `"${text.replaceAll('"', '""')}"`;
const forShell = (text) => `'${text.replaceAll("'", `'\\''`)}'`;
// The folder of this page is the output folder.
const outFolder = () => decodeURIComponent(location.pathname.replace(/\/[^/]*$/, "")) || ".";

document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-answer]");
  if (!button) return;
  const group = button.closest(".answer");
  const before = chosen.get(group.dataset.path) ?? group.dataset.said;
  const now = before === button.dataset.answer ? "none" : button.dataset.answer;
  if (now === (group.dataset.said ?? "none")) chosen.delete(group.dataset.path);
  else chosen.set(group.dataset.path, now);
  for (const one of group.querySelectorAll("button")) {
    one.setAttribute("aria-pressed", String(one.dataset.answer === now));
  }
  showAnswers();
});
byId("save-answers")?.addEventListener("click", () => {
  const lines = [...chosen].map(([path, answer]) => `${quoted(path)},${answer}`);
  const link = make("a");
  link.href = URL.createObjectURL(new Blob([["path,answer", ...lines, ""].join("\n")], { type: "text/csv" }));
  link.download = "answers.csv";
  link.click();
  byId("answered").textContent =
    `Saved. Now run: auditor answer --out ${forShell(outFolder())} --from answers.csv`;
});
byId("copy-answers")?.addEventListener("click", async () => {
  const by = new Map();
  for (const [path, answer] of chosen) by.set(answer, [...(by.get(answer) ?? []), forShell(path)]);
  const text = [...by].map(([answer, paths]) =>
    `auditor answer --out ${forShell(outFolder())} --as ${answer} -- ${paths.join(" ")}`).join("\n");
  try { await navigator.clipboard.writeText(text); byId("answered").textContent = "Copied."; }
  catch { byId("answered").textContent = text; }
});

byId("print").addEventListener("click", () => print());

// A link to something folded unfolds it, and what it is folded into.
function unfold() {
  const target = location.hash.length > 1 && byId(decodeURIComponent(location.hash.slice(1)));
  if (!target) return;
  for (let part = target; part; part = part.parentElement?.closest("details")) {
    if (part.tagName === "DETAILS") part.open = true;
  }
  target.scrollIntoView();
}
addEventListener("hashchange", unfold);
