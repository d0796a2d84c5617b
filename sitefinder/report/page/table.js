// The table of sites: sorting, filters, keyboard. Calls pick(rank) when a row is selected.
// What follows a selection is in `listeners`, what follows the filters in `filters`, which get the ranks shown.
// A site is selected: everything that shows it follows.
function pick(rank, from) {
  if (!(rank >= 1 && rank <= page.count) || page.picked === rank) return;
  page.picked = rank;
  const site = page.site(rank);
  for (const follow of page.listeners) follow(site, rank, from);
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

// Rows of the table by rank: those of the page, or, of a large region, made of its data when they come into view.
function tableEntries(table) {
  const head = [...table.tHead.rows[0].cells], isNumber = head.map((cell) => cell.classList.contains("n"));
  const { rows } = page.data;
  if (!rows)
    return [...table.tBodies[0].rows].map((row) => ({
      ...row.dataset, row, rank: Number(row.dataset.rank), texts: () => [...row.cells].map((cell) => cell.textContent),
      value: (at) => parseFloat(row.cells[at].dataset.v),
    })).sort((one, other) => one.rank - other.rank);
  const texts = textRows(rows.texts), sorts = Object.fromEntries(Object.entries(rows.sorts).map(([name, column]) => [name, textColumn(column)]));
  return Array.from({ length: page.count }, (_, at) => ({
    rank: at + 1, verdict: sorts.verdict(at), scheme: sorts.scheme(at), safe: sorts.safe(at), texts: () => texts(at),
    value: (column) => { const value = rows.values[column][at]; return value === null ? NaN : value; },
    make() {
      const row = element("tr", undefined, { tabindex: -1, "data-rank": at + 1, "aria-rowindex": 0 });
      row.append(...texts(at).map((text, column) => (column === 1 ? element("th", text, { scope: "row" })
        : element("td", text, isNumber[column] ? { class: "n" } : {}))));
      return row;
    },
  }));
}

const grouped = (number) => number.toLocaleString(language);
function startTable() {
  document.body.append(tip);
  const table = byId("sites-table");
  if (!table) return;
  const body = table.tBodies[0], box = byId("sites-box"), isMade = Boolean(page.data.rows);
  const entries = tableEntries(table);
  // Figures of a column by rank.
  page.figures = (name) => {
    const head = table.tHead.querySelector(`th[data-column="${name}"]`);
    return new Map(head ? entries.map((entry) => [entry.rank, entry.value(head.cellIndex)]) : []);
  };
  let order = [...entries], shown = order, focused = 1;

  // One row at a time can be reached with the tab key; arrows move from there.
  function reachable(rank) {
    focused = rank;
    for (const row of body.rows) row.tabIndex = Number(row.dataset.rank) === rank ? 0 : -1;
  }
  const rowsInView = isMade ? madeRows(table, box, entries, () => shown, () => focused) : {
    draw() {
      for (const { row } of entries) row.hidden = true;
      for (const { row } of shown) row.hidden = false;
      body.append(...order.map(({ row }) => row));
    },
    at: (place) => shown[place].row,
  };

  function sort(header) {
    const rising = header.getAttribute("aria-sort") !== "ascending";
    for (const other of table.tHead.rows[0].cells) other.setAttribute("aria-sort", "none");
    header.setAttribute("aria-sort", rising ? "ascending" : "descending");
    const at = header.cellIndex;
    const isNumber = header.classList.contains("n");
    const keys = new Map(entries.map((entry) => [entry, isNumber ? entry.value(at) : entry.texts()[at]]));
    order.sort((one, other) => {
      const [a, b] = [keys.get(one), keys.get(other)];
      if (isNumber && (Number.isNaN(a) || Number.isNaN(b))) return Number.isNaN(a) - Number.isNaN(b) || one.rank - other.rank;
      const turn = isNumber ? a - b : a.localeCompare(b);
      return (rising ? turn : -turn) || one.rank - other.rank;
    });
    const left = new Set(shown);
    shown = order.filter((entry) => left.has(entry));
    rowsInView.draw();
  }

  function filter() {
    const words = byId("find").value.trim().toLocaleLowerCase().split(/\s+/);
    const wanted = ["verdict", "scheme", "safe"].map((name) => [name, byId(`of-${name}`).value]);
    shown = order.filter((entry) => {
      if (!wanted.every(([name, value]) => !value || entry[name] === value)) return false;
      const text = (entry.text ??= entry.texts().join("").toLocaleLowerCase());
      return words.every((word) => text.includes(word));
    });
    const ranks = new Set(shown.map(({ rank }) => rank));
    for (const follow of page.filters) follow(ranks);
    byId("nothing").hidden = shown.length > 0;
    byId("shown").textContent = say("{shown} of {all} sites", { shown: grouped(shown.length), all: grouped(entries.length) });
    rowsInView.draw();
    reachable(ranks.has(page.picked) ? page.picked : shown.length ? shown[0].rank : 0);
  }

  table.tHead.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button) sort(button.parentElement);
  });
  body.addEventListener("click", (event) => {
    const row = event.target.closest("tr");
    if (row && row.dataset.rank) pick(Number(row.dataset.rank), "table");
  });
  body.addEventListener("keydown", (event) => {
    const row = event.target.closest("tr");
    if (!row) return;
    const at = shown.findIndex(({ rank }) => rank === Number(row.dataset.rank));
    const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: shown.length - 1 }[event.key];
    if (event.key === "Enter" || event.key === " ") pick(Number(row.dataset.rank), "table");
    else if (to === undefined) return;
    else if (shown[to]) { const next = rowsInView.at(to); reachable(shown[to].rank); next.focus(); }
    event.preventDefault();
  });
  const form = byId("filters");
  form.addEventListener("input", filter);
  form.addEventListener("submit", (event) => event.preventDefault());
  byId("reset").addEventListener("click", () => {
    byId("find").value = "";
    for (const name of ["verdict", "scheme", "safe"]) byId(`of-${name}`).value = "";
    filter();
    byId("find").focus();
  });
  // Whether columns lie beyond the right edge of the table's box.
  const more = () => { byId("more").hidden = box.scrollLeft + box.clientWidth > box.scrollWidth - 4; };
  box.addEventListener("scroll", more);
  new ResizeObserver(more).observe(box);
  if (isMade) rowsInView.draw();
  reachable(1);

  page.listeners.push((site, rank, from) => {
    if (from !== "table") {
      const at = shown.findIndex((entry) => entry.rank === rank);
      if (at >= 0) {
        // Only the table's own box scrolls, never the page.
        const top = rowsInView.at(at).offsetTop - table.tHead.offsetHeight;
        if (top < box.scrollTop || top > box.scrollTop + box.clientHeight - 90) box.scrollTop = top - box.clientHeight / 3;
      }
    }
    for (const row of body.rows)
      if (Number(row.dataset.rank) === rank) row.setAttribute("aria-current", "true");
      else row.removeAttribute("aria-current");
    reachable(rank);
  });
}

// The rows in view of a long table, and some above and below; empty rows hold the place of all others. Paper has them all.
function madeRows(table, box, entries, shown, focused) {
  const body = table.tBodies[0], BESIDE = 25;
  const gaps = [0, 1].map(() => {
    const gap = element("tr", undefined, { "aria-hidden": "true", class: "gap" });
    gap.append(element("td", undefined, { colspan: table.tHead.rows[0].cells.length }));
    return gap;
  });
  // Columns are as wide as their longest text, wherever that is, and stay so.
  const longest = new Map();
  for (const entry of entries)
    entry.texts().forEach((text, at) => { if (text.length > (longest.get(at) || { length: -1 }).length) longest.set(at, { length: text.length, entry }); });
  body.replaceChildren(...new Set([...longest.values()].map(({ entry }) => entry)).values().map(({ make }) => make()));
  const heads = [...table.tHead.rows[0].cells], widths = heads.map((cell) => cell.offsetWidth);
  heads.forEach((cell, at) => { cell.style.minWidth = `${widths[at]}px`; });
  const high = body.rows.length ? body.rows[0].getBoundingClientRect().height : 1;
  table.setAttribute("aria-rowcount", entries.length + 1);
  let [from, to, isWhole] = [0, 0, false];
  function fill(begin, end) {
    [from, to] = [begin, end];
    const rows = shown().slice(from, to).map((entry, at) => {
      const row = entry.make();
      row.setAttribute("aria-rowindex", from + at + 2);
      if (entry.rank === page.picked) row.setAttribute("aria-current", "true");
      if (entry.rank === focused()) row.tabIndex = 0;
      return row;
    });
    // Whoever is in a row that leaves stays in the table.
    const held = body.contains(document.activeElement) ? document.activeElement.dataset.rank : null;
    gaps[0].firstChild.style.height = `${from * high}px`;
    gaps[1].firstChild.style.height = `${(shown().length - to) * high}px`;
    body.replaceChildren(...(from ? [gaps[0]] : []), ...rows, ...(to < shown().length ? [gaps[1]] : []));
    if (held === null) return;
    const row = rows.find((each) => each.dataset.rank === held);
    (row || box).focus({ preventScroll: true });
  }
  function draw() {
    if (isWhole) { fill(0, shown().length); return; }
    const count = Math.ceil(box.clientHeight / high), last = Math.max(0, shown().length - count);
    const first = Math.min(last, Math.floor(Math.max(0, box.scrollTop - table.tHead.offsetHeight) / high));
    fill(Math.max(0, first - BESIDE), Math.min(shown().length, first + count + BESIDE));
  }
  box.addEventListener("scroll", () => {
    const first = box.scrollTop / high, last = first + box.clientHeight / high;
    if (!isWhole && (first < from + BESIDE / 4 && from > 0 || last > to - BESIDE / 4 && to < shown().length)) draw();
  });
  addEventListener("beforeprint", () => { isWhole = true; draw(); });
  addEventListener("afterprint", () => { isWhole = false; draw(); });
  return {
    draw,
    // The row at a place among those shown, which comes into view if it is not.
    at(place) {
      if (place < from || place >= to) {
        box.scrollTop = Math.max(0, place * high - box.clientHeight / 3);
        draw();
      }
      return body.rows[place - from + (from ? 1 : 0)];
    },
  };
}
