"use strict";
// The table of sites: sorting, filters, keyboard. Calls pick(rank) when a row is selected.
// What follows a selection is in `listeners`, what follows the filters in `filters`, which get the ranks shown.
const page = { data: JSON.parse(document.getElementById("data").textContent), picked: 0, listeners: [], filters: [] };
// A text of the page in its language, with what its named places stand for; numbers in its signs.
const language = document.documentElement.lang;
const say = (text, values = {}) => ((page.data.texts || {})[text] || text)
  .replace(/\{(\w+)\}/g, (place, name) => (name in values ? values[name] : place));
const DECIMAL = (1.5).toLocaleString(language).charAt(1);
const numeral = (text) => String(text).replace(".", DECIMAL);
const byId = (name) => document.getElementById(name);

// A site is selected: everything that shows it follows.
function pick(rank, from) {
  if (!page.data.sites[rank - 1] || page.picked === rank) return;
  page.picked = rank;
  for (const follow of page.listeners) follow(page.data.sites[rank - 1], rank, from);
}

function element(name, text, attributes = {}) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

function drawn(name, attributes = {}, text) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  if (text !== undefined) made.textContent = text;
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

// The tooltip, as pairs of label and text.
const tip = element("dl", undefined, { class: "tip", hidden: "" });
function showTip(event, rows) {
  tip.hidden = !rows;
  if (!rows) return;
  tip.replaceChildren(...rows.flatMap(([label, text]) => [element("dt", label), element("dd", text)]));
  const [across, down] = [event.clientX, event.clientY];
  const left = Math.max(4, Math.min(across + 14, innerWidth - tip.offsetWidth - 6));
  const below = down + 16 + tip.offsetHeight < innerHeight;
  tip.style.left = `${left}px`;
  tip.style.top = `${below ? down + 16 : Math.max(4, down - tip.offsetHeight - 12)}px`;
}

function startTable() {
  document.body.append(tip);
  const table = document.getElementById("sites-table");
  if (!table) return;
  const body = table.tBodies[0];
  const rows = () => [...body.rows];
  const shown = () => rows().filter((row) => !row.hidden);

  // One row at a time can be reached with the tab key; arrows move from there.
  function reachable(row) {
    for (const other of rows()) other.tabIndex = -1;
    if (row) row.tabIndex = 0;
  }

  function sort(header) {
    const rising = header.getAttribute("aria-sort") !== "ascending";
    for (const other of table.tHead.rows[0].cells) other.setAttribute("aria-sort", "none");
    header.setAttribute("aria-sort", rising ? "ascending" : "descending");
    const at = header.cellIndex;
    const isNumber = header.classList.contains("n");
    const key = (row) => (isNumber ? parseFloat(row.cells[at].dataset.v) : row.cells[at].textContent);
    const ordered = rows().sort((one, other) => {
      const [a, b] = [key(one), key(other)];
      if (isNumber && (Number.isNaN(a) || Number.isNaN(b))) return Number.isNaN(a) - Number.isNaN(b);
      const order = isNumber ? a - b : a.localeCompare(b);
      return (rising ? order : -order) || one.dataset.rank - other.dataset.rank;
    });
    body.append(...ordered);
  }

  function filter() {
    const words = document.getElementById("find").value.trim().toLocaleLowerCase().split(/\s+/);
    const wanted = ["verdict", "scheme", "safe"].map((name) => [name, document.getElementById(`of-${name}`).value]);
    for (const row of rows()) {
      const text = row.textContent.toLocaleLowerCase();
      row.hidden = !(words.every((word) => text.includes(word)) &&
        wanted.every(([name, value]) => !value || row.dataset[name] === value));
    }
    const left = shown();
    const ranks = new Set(left.map((row) => Number(row.dataset.rank)));
    for (const follow of page.filters) follow(ranks);
    byId("nothing").hidden = left.length > 0;
    document.getElementById("shown").textContent = say("{shown} of {all} sites", { shown: left.length, all: rows().length });
    reachable(left.find((row) => row.getAttribute("aria-current")) || left[0]);
  }

  table.tHead.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button) sort(button.parentElement);
  });
  body.addEventListener("click", (event) => {
    const row = event.target.closest("tr");
    if (row) pick(Number(row.dataset.rank), "table");
  });
  body.addEventListener("keydown", (event) => {
    const row = event.target.closest("tr");
    if (!row) return;
    const visible = shown();
    const at = visible.indexOf(row);
    const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: visible.length - 1 }[event.key];
    if (event.key === "Enter" || event.key === " ") pick(Number(row.dataset.rank), "table");
    else if (to === undefined) return;
    else if (visible[to]) { reachable(visible[to]); visible[to].focus(); }
    event.preventDefault();
  });
  const form = document.getElementById("filters");
  form.addEventListener("input", filter);
  form.addEventListener("submit", (event) => event.preventDefault());
  byId("reset").addEventListener("click", () => {
    byId("find").value = "";
    for (const name of ["verdict", "scheme", "safe"]) byId(`of-${name}`).value = "";
    filter();
    byId("find").focus();
  });
  // Whether columns lie beyond the right edge of the table's box.
  const box = byId("sites-box");
  const more = () => { byId("more").hidden = box.scrollLeft + box.clientWidth > box.scrollWidth - 4; };
  box.addEventListener("scroll", more);
  new ResizeObserver(more).observe(box);
  reachable(rows()[0]);

  page.listeners.push((site, rank, from) => {
    for (const row of rows()) {
      if (Number(row.dataset.rank) !== rank) { row.removeAttribute("aria-current"); continue; }
      row.setAttribute("aria-current", "true");
      reachable(row);
      // Only the table's own box scrolls, never the page.
      const top = row.offsetTop - table.tHead.offsetHeight;
      if (from !== "table" && (top < box.scrollTop || top > box.scrollTop + box.clientHeight - 90))
        box.scrollTop = top - box.clientHeight / 3;
    }
  });
}
