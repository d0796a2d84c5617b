"use strict";
// The data of the page, which `packing.py` packs: columns, unpacked when something first asks for them.
const page = { data: JSON.parse(document.getElementById("data").textContent), picked: 0, listeners: [], filters: [] };
// A text of the page in its language, with what its named places stand for; numbers in its signs.
const language = document.documentElement.lang;
const say = (text, values = {}) => ((page.data.texts || {})[text] || text)
  .replace(/\{(\w+)\}/g, (place, name) => (name in values ? values[name] : place));
const DECIMAL = (1.5).toLocaleString(language).charAt(1);
const numeral = (text) => String(text).replace(".", DECIMAL);
const byId = (name) => document.getElementById(name);

const later = (make) => { let made; return () => (made === undefined ? (made = make()) : made); };
// A column of texts: the text of a row.
function textColumn({ texts, of, after = "" }) {
  const all = later(() => texts.split("\n"));
  const whole = (text) => (text.startsWith("\t") ? text.slice(1) : text && text + after);
  return (row) => whole(all()[of === undefined ? row : of === 0 ? 0 : of[row]]);
}
const textRows = (columns) => { const all = columns.map(textColumn); return (row) => all.map((column) => column(row)); };
// Where the list of each row begins and ends among all: counts are one number if all are the same.
function ranges(counts) {
  if (typeof counts === "number") return (row) => [row * counts, (row + 1) * counts];
  const ends = later(() => { let end = 0; return counts.map((count) => (end += count)); });
  return (row) => [ends()[row] - counts[row], ends()[row]];
}
function textLists({ counts, of }) {
  const [range, text] = [ranges(counts), textColumn(of)];
  return (row) => { const [from, to] = range(row); return Array.from({ length: to - from }, (_, at) => text(from + at)); };
}
function series({ counts, all, places, values }) {
  if (all) return () => all;
  const range = ranges(counts), unit = 10 ** (places || 0);
  return (row) => {
    const own = values.slice(...range(row));
    let sum = 0;
    return places === undefined ? own : own.map((step) => (step === null ? null : (sum += step) / unit));
  };
}

// One site of the page by its rank, all of it as the diagrams and lists show it.
page.site = (() => {
  const { sites } = page.data;
  page.count = sites.count;
  const { profile, curve, months, options, cost } = sites;
  const each = (columns, make) => Object.fromEntries(Object.entries(columns).map(([name, column]) => [name, make(column)]));
  const [id, stream, tip] = [textColumn(sites.id), textColumn(sites.stream), textRows(sites.tip)];
  const [facts, flags, things] = [textRows(sites.facts), textLists(sites.flags), textLists(sites.things)];
  const { intake, tailrace, structures, ...levels } = profile;
  const { design, ...flows } = curve, { unit, ...costs } = cost;
  const [level, named, flow, month] = [each(levels, series), textLists(structures), each(flows, series), each(months, series)];
  const [turbines, chosen, cells] = [ranges(options.counts), textColumn(options.chosen), textRows(options.cells)];
  const at = (columns, row) => each(columns, (column) => column(row));
  page.siteId = (rank) => id(rank - 1);
  page.siteTip = (rank) => tip(rank - 1).map((text, place) => [page.data.siteTip[place], text]);
  return (rank) => {
    const row = rank - 1, { refused, structureAt, ...water } = at(level, row), marks = {};
    if (intake[row] !== null) marks.intake = intake[row];
    if (tailrace[row] !== null) marks.tailrace = tailrace[row];
    const curveOf = at(flow, row), monthsOf = at(month, row), [from, to] = turbines(row);
    return {
      id: id(row), title: say("Rank {rank}: {site}, {stream}", { rank, site: id(row), stream: stream(row) }),
      facts: facts(row), flags: flags(row), things: things(row), place: sites.place.map((values) => values[row]),
      profile: water.x.length ? { ...water, marks, refused: water.x.map((_, station) => Number(refused.includes(station))),
        structures: named(row).map((name, place) => [structureAt[place], name]) } : null,
      curve: curveOf.x.length ? { ...curveOf, design: design[row] } : null,
      months: monthsOf.month.length ? monthsOf : null,
      options: Array.from({ length: to - from }, (_, place) => [chosen(from + place) === "1", ...cells(from + place)]),
      cost: { unit, ...each(costs, (values) => values[row]) },
    };
  };
})();
