// Diagrams of the selected site and of the region, its facts, turbines and cost, from the data of the page.
const short = (value) => (value === null ? say("not known") : value === 0 ? "0"
  : Math.abs(value) < 1000 ? numeral(value.toPrecision(3)) : Math.round(value).toLocaleString(language));
const tenths = (value) => numeral(value.toFixed(1));
const interval = (low, high) => ({ low: tenths(low), high: `${tenths(high)} m` });
const known = (values) => values.filter((value) => Number.isFinite(value));
const numbers = (values) => values.map((value) => (value === null ? NaN : value));

// Round numbers inside a range; on a logarithmic axis 1, 2 and 5 times powers of ten.
function ticks({ from, to, log }, maximum) {
  if (log) {
    const all = [];
    for (let power = Math.floor(Math.log10(from)); power <= Math.log10(to); power += 1)
      for (const step of [1, 2, 5]) all.push(step * 10 ** power);
    const within = all.filter((value) => value >= from * (1 - 1e-9) && value <= to * (1 + 1e-9));
    const powers = within.filter((value) => Math.abs(Math.log10(value) % 1) < 1e-9);
    return (within.length > maximum && powers.length > 1 ? powers : within).map((value) => Number(value.toPrecision(6)));
  }
  const rough = (to - from) / maximum, power = 10 ** Math.floor(Math.log10(rough));
  const step = power * [1, 2, 5, 10].find((factor) => factor * power >= rough * (1 - 1e-9));
  const all = [];
  for (let at = Math.ceil(from / step - 1e-9); at * step <= to + step * 1e-9; at += 1)
    all.push(Number((at * step).toPrecision(12)));
  return all;
}

// A diagram: labelled axes, a legend above, the content from `fill`, and the tooltip from `describe`.
function diagram(name, { x, y, key = [], height = 300, fill, describe }) {
  const place = byId(`plot-${name}`);
  const width = page.paper || Math.max(place.clientWidth, 260);
  const [left, right, top, bottom] = [62, 14, 8, 44];
  const svg = drawn("svg", { viewBox: `0 0 ${width} ${height}`, class: "chart" });
  const along = ({ from, to, log }, value) => (log ? Math.log(value / from) / Math.log(to / from) : (value - from) / (to - from));
  const plot = {
    x: (value) => left + along(x, value) * (width - left - right),
    y: (value) => height - bottom - along(y, value) * (height - top - bottom),
    add: (kind, attributes, text) => svg.appendChild(drawn(kind, attributes, text)),
    // A line through points, broken where one is missing.
    line(xs, ys, kind) {
      let pen = "M";
      const d = xs.map((value, at) => {
        if (!Number.isFinite(ys[at])) { pen = "M"; return ""; }
        const part = `${pen}${plot.x(value).toFixed(1)} ${plot.y(ys[at]).toFixed(1)}`;
        pen = "L";
        return part;
      }).join("");
      plot.add("path", { class: kind, d: d || "M0 0" });
    },
    area(xs, lows, highs, kind) {
      const whole = xs.map((_, at) => at).filter((at) => Number.isFinite(lows[at]) && Number.isFinite(highs[at]));
      const edge = (values, order) => order.map((at) => `${plot.x(xs[at]).toFixed(1)} ${plot.y(values[at]).toFixed(1)}`).join("L");
      if (whole.length) plot.add("path", { class: kind, d: `M${edge(highs, whole)}L${edge(lows, [...whole].reverse())}z` });
    },
  };
  for (const tick of ticks(y, y.log ? 8 : 6)) {
    plot.add("path", { class: "grid-line", d: `M${left} ${plot.y(tick)}H${width - right}` });
    plot.add("text", { class: "tick", x: left - 6, y: plot.y(tick) + 4, "text-anchor": "end" }, tick.toLocaleString(language));
  }
  for (const [tick, text] of x.names || ticks(x, Math.max(3, Math.floor(width / 90))).map((value) => [value, value.toLocaleString(language)])) {
    if (!x.names) plot.add("path", { class: "axis", d: `M${plot.x(tick)} ${height - bottom}v5` });
    plot.add("text", { class: "tick", x: plot.x(tick), y: height - bottom + 17, "text-anchor": "middle" }, text);
  }
  plot.add("path", { class: "axis", d: `M${left} ${top}V${height - bottom}H${width - right}` });
  plot.add("text", { class: "axis-label", x: (left + width - right) / 2, y: height - 6, "text-anchor": "middle" }, x.label);
  plot.add("text", { class: "axis-label", "text-anchor": "middle",
    transform: `translate(13 ${(top + height - bottom) / 2}) rotate(-90)` }, y.label);
  fill(plot);
  const cursor = plot.add("path", { class: "cursor", d: "" });
  svg.addEventListener("pointermove", (event) => {
    const box = svg.getBoundingClientRect();
    const at = ((event.clientX - box.left) * width / box.width - left) / (width - left - right);
    const said = at >= -0.02 && at <= 1.02 ? describe(x.from + at * (x.to - x.from)) : null;
    cursor.setAttribute("d", said ? `M${plot.x(said.at)} ${top}V${height - bottom}` : "");
    showTip(event, said && said.rows);
  });
  svg.addEventListener("pointerleave", (event) => { cursor.setAttribute("d", ""); showTip(event, null); });
  const list = element("ul", undefined, { class: "key" });
  list.append(...key.map(([kind, label]) => {
    const item = element("li"), swatch = drawn("svg", { viewBox: "0 0 26 12", class: "swatch" });
    swatch.append(kind.startsWith("area") ? drawn("path", { class: kind, d: "M1 1h24v10h-24z" })
      : kind === "read" ? drawn("circle", { class: kind, cx: 13, cy: 6, r: 2.5 })
        : drawn("path", { class: kind, d: kind === "refused" ? "M10 3l6 6m0-6l-6 6" : "M1 6h24" }));
    item.append(swatch, label);
    return item;
  }));
  place.replaceChildren(...(key.length ? [list] : []), svg);
}

// Which of the values is nearest.
const nearest = (values, value) => values.reduce((best, one, at) => (Math.abs(one - value) < Math.abs(values[best] - value) ? at : best), 0);
const span = (values, below, above) => {
  const [low, high] = [Math.min(...known(values)), Math.max(...known(values))];
  const room = high - low || 1;
  return { from: low - below * room, to: high + above * room };
};

function startSupply() {
  const { supply } = page.data;
  if (!supply) return;
  const left = [0, ...supply.right.slice(0, -1)];
  page.drawings.push(() => diagram("supply", {
    x: { from: 0, to: supply.right.at(-1) * 1.02, label: say("cumulative mean annual energy [MWh/yr]") },
    y: { from: 0, to: Math.max(...supply.cost) * 1.08, label: `${say("LCOE")} [${supply.unit}]` },
    fill(plot) {
      // One path for all bars: a large region has thousands.
      const bar = (cost, at) => `M${plot.x(left[at]).toFixed(2)} ${plot.y(0).toFixed(1)}V${plot.y(cost).toFixed(1)}` +
        `H${plot.x(supply.right[at]).toFixed(2)}V${plot.y(0).toFixed(1)}z`;
      plot.add("path", { class: "area-bars", d: supply.cost.map(bar).join("") });
    },
    describe(energy) {
      const at = supply.right.findIndex((right) => energy <= right);
      return at < 0 || energy < 0 ? null : { at: (left[at] + supply.right[at]) / 2, rows: [[say("Site"), supply.site[at]],
        [say("LCOE"), `${short(supply.cost[at])} ${supply.unit}`], [say("Mean annual energy"), supply.energy[at]]] };
    },
  }));
}

const SHEETS = "field-sheets.pdf";
function startPicked() {
  let site = null;
  function heading(name, title) { byId(`${name}-title`).textContent = `${title}: ${site.id}`; }
  function begin(name, title, data, without) {
    heading(name, title);
    byId(`plot-${name}`).hidden = !data;
    if (!data) byId(`${name}-text`).textContent = without;
    return data;
  }

  function profile() {
    const data = begin("profile", say("Long profile"), site.profile, say("No long profile for this site."));
    if (!data) return;
    const [water, low, high, raw] = [data.y, data.low, data.high, data.raw].map(numbers);
    const ends = data.structures.map(([at, name]) => [at, name, "M-5-5h10v10h-10z"]);
    if ("intake" in data.marks) ends.push([data.marks.intake, say("intake"), "M0-6L6 5H-6z"]);
    if ("tailrace" in data.marks) ends.push([data.marks.tailrace, say("tailrace"), "M0 6L6-5H-6z"]);
    const refused = data.raw.some((value, at) => value !== null && data.refused[at]);
    diagram("profile", {
      x: { ...span(data.x, 0, 0.14), label: say("distance downstream [m]") },
      y: { ...span([...low, ...high, ...raw], 0.08, 0.12), label: say("elevation [m]") },
      key: [["water-line", say("water level")], ["area-band", say("90 % confidence interval")], ["read", say("DEM elevation")],
        ...(refused ? [["refused", say("DEM elevation rejected")]] : [])],
      fill(plot) {
        plot.area(data.x, low, high, "area-band");
        plot.line(data.x, water, "water-line");
        raw.forEach((value, at) => {
          if (!Number.isFinite(value)) return;
          const [x, y] = [plot.x(data.x[at]), plot.y(value)];
          if (data.refused[at]) plot.add("path", { class: "refused", d: `M${x - 3} ${y - 3}l6 6m0-6l-6 6` });
          else plot.add("circle", { class: "read", cx: x, cy: y, r: 2 });
        });
        for (const [at, name, shape] of ends) {
          const [x, y] = [plot.x(data.x[at]), plot.y(water[at])];
          plot.add("path", { class: "end", d: shape, transform: `translate(${x} ${y})` });
          plot.add("text", { class: "end-name", x: x + 9, y: y - 8 }, name);
        }
      },
      describe(distance) {
        const at = nearest(data.x, distance);
        const named = ends.filter(([place]) => place === at).map(([, name]) => name).join(", ");
        return { at: data.x[at], rows: [...(named ? [[say("Here"), named]] : []), [say("Distance downstream"), `${data.x[at].toFixed(0)} m`],
          [say("Water level"), Number.isFinite(water[at]) ? `${tenths(water[at])} m` : say("not known")],
          ...(Number.isFinite(low[at]) ? [[say("90 % confidence interval"), say("{low} to {high}", interval(low[at], high[at]))]] : [])] };
      },
    });
    const level = (mark, name) => {
      const at = data.marks[mark];
      return at === undefined ? say("{place} not known", { place: name })
        : say("{place} {level} m (90 % confidence interval {low} to {high})",
          { place: name, level: tenths(data.y[at]), ...interval(data.low[at], data.high[at]) });
    };
    byId("profile-text").textContent = say("Water level: {intake}; {tailrace}.",
      { intake: level("intake", say("intake")), tailrace: level("tailrace", say("tailrace")) });
  }

  function curve() {
    const data = begin("curve", say("Flow duration curve at the intake"), site.curve, say("No flow duration curve for this site."));
    if (!data) return;
    // A logarithmic axis has no place for zero.
    const flow = data.flow.map((value) => (value > 0 ? value : NaN));
    const lowest = Math.min(...known(flow));
    const kept = data.environmental.map((value) => (value > 0 ? value : NaN));
    const floor = kept.map((value) => (Number.isFinite(value) ? value : lowest));
    const full = data.environmental.map((value) => (value === null || data.design === null ? NaN : value + data.design));
    const top = flow.map((value, at) => (Number.isNaN(value) ? NaN : Math.max(floor[at],
      Number.isFinite(full[at]) ? Math.min(value, full[at]) : value)));
    const all = known([...flow, ...floor, ...full]);
    if (!all.length) { byId("plot-curve").hidden = true; byId("curve-text").textContent = say("The stream is dry."); return; }
    diagram("curve", {
      x: { from: 0, to: 100, label: say("time flow is equalled or exceeded [%]") },
      y: { from: Math.min(...all) / 1.3, to: Math.max(...all) * 1.3, log: true, label: say("flow [m³/s]") },
      key: [["water-line", say("flow")], ["full-line", say("environmental + design flow")],
        ["kept-line", say("environmental flow")], ["area-band", say("available to the turbine")]],
      fill(plot) {
        plot.area(data.x, floor, top, "area-band");
        plot.line(data.x, full, "full-line");
        plot.line(data.x, kept, "kept-line");
        plot.line(data.x, flow, "water-line");
      },
      describe(share) {
        const at = nearest(data.x, share);
        return { at: data.x[at], rows: [[say("Time equalled or exceeded"), `${numeral(data.x[at])} %`],
          [say("Flow"), `${short(data.flow[at])} m³/s`], [say("Environmental flow"), `${short(data.environmental[at])} m³/s`]] };
      },
    });
    byId("curve-text").textContent = say("Design flow {flow} m³/s in addition to the environmental flow; the turbine can use the flow between the two lines.",
      { flow: short(data.design) });
  }

  function months() {
    const data = begin("months", say("Energy by month"), site.months, say("Monthly flow statistics: none."));
    if (!data) return;
    const energy = numbers(data.energy);
    diagram("months", {
      x: { from: 0.4, to: 12.6, label: say("month"), names: page.data.months.map((name, at) => [at + 1, name]) },
      y: { from: 0, to: Math.max(...known(energy), 0) * 1.08 || 1, label: say("mean energy [MWh]") },
      key: data.closed.some(Boolean) ? [["area-bars", say("open")], ["area-closed", say("closed for fish migration")]] : [],
      fill(plot) {
        data.month.forEach((month, at) => Number.isFinite(energy[at]) && plot.add("rect", {
          class: data.closed[at] ? "area-closed" : "area-bars", x: plot.x(month - 0.38), width: plot.x(0.76) - plot.x(0),
          y: plot.y(energy[at]), height: plot.y(0) - plot.y(energy[at]),
        }));
      },
      describe(value) {
        const at = nearest(data.month, value);
        return { at: data.month[at], rows: [[say("Month"), page.data.months[data.month[at] - 1]], [say("Energy"), `${short(data.energy[at])} MWh`],
          ...(data.closed[at] ? [[say("Closed"), say("for fish migration")]] : [])] };
      },
    });
    const closed = data.month.filter((month, at) => data.closed[at]).map((month) => page.data.months[month - 1]);
    byId("months-text").textContent = data.month.map((month, at) => `${page.data.months[month - 1]} ${short(data.energy[at])}`)
      .join(", ") + " MWh." + (closed.length ? ` ${say("Closed for fish migration: {months}.", { months: closed.join(", ") })}` : "");
  }

  function cost() {
    const data = site.cost;
    heading("cost", say("LCOE against solar"));
    const rows = [[say("this site, P10 to P90"), data.value, data.p10, data.p90, "site"], [say("solar"), data.solar, null, null, "solar"],
      [say("solar with storage for the same hours"), data.stored, null, null, "solar"]];
    const maximum = 1.05 * Math.max(...rows.flatMap((row) => row.slice(1, 4)).map((value) => value || 0)) || 1;
    const percent = (value) => `${100 * value / maximum}%`;
    byId("plot-cost").replaceChildren(...rows.map(([name, value, low, high, kind]) => {
      const row = element("div", undefined, { class: "cost" }), track = drawn("svg", { class: `track ${kind}` });
      if (low !== null && high !== null)
        track.append(drawn("rect", { class: "range", x: percent(low), width: percent(high - low), y: "15%", height: "70%" }));
      if (value !== null) track.append(drawn("rect", { class: "at", x: percent(value), width: 3, height: "100%" }));
      row.append(element("div", name), track,
        element("div", value === null ? say("not known") : `${short(value)} ${data.unit}`, { class: "value" }));
      return row;
    }));
    byId("cost-text").textContent = say("Site: LCOE {lcoe} {unit} (P10 {low}, P90 {high}). The bar is the interval, the line is the LCOE.",
      { lcoe: short(data.value), unit: data.unit, low: short(data.p10), high: short(data.p90) });
  }

  // The site in other files, and its place for any map application (RFC 5870).
  function links() {
    const { files, sheets } = page.data.links, rank = page.picked, [lat, lon] = site.place;
    const made = files.filter(([name]) => name !== SHEETS || rank <= sheets).map(([name, label]) => element("a",
      name === SHEETS ? say("Sheet of this site (PDF)") : label, { href: name === SHEETS ? `${name}#nameddest=rank-${rank}` : name }));
    made.unshift(element("a", say("Link to this site"), { href: `#site=${encodeURIComponent(site.id)}` }));
    if (lat !== null && lon !== null) made.push(element("a", say("Tailrace {lat}, {lon} in a map application", { lat, lon }), { href: `geo:${lat},${lon}` }));
    byId("picked-links").replaceChildren(...made);
  }

  function facts() {
    const groups = new Map();
    page.data.labels.forEach(([group, label, meaning], at) => {
      if (!site.facts[at]) return;
      if (!groups.has(group)) groups.set(group, element("dl"));
      groups.get(group).append(element("dt", label, { title: meaning }), element("dd", site.facts[at]));
    });
    byId("facts").replaceChildren(...[...groups].map(([group, list]) => {
      const part = element("section");
      part.append(element("h4", group), list);
      if (group === say("Access") && page.data.absent) part.append(element("p", page.data.absent, { class: "alt" }));
      return part;
    }));
    const flags = element("div", undefined, { class: "warn" }), list = element("ul");
    list.append(...site.flags.map((flag) => element("li", flag)));
    flags.append(element("strong", say("Data-quality flags")), list);
    byId("picked-flags").replaceChildren(...(site.flags.length ? [flags] : []));
    const things = element("section"), passed = element("ul");
    passed.append(...site.things.map((thing) => element("li", thing)));
    things.append(element("h4", say("On the stream at this site")), passed);
    if (site.things.length) byId("facts").append(things);
  }

  function options() {
    const table = byId("options"), head = element("tr");
    head.append(...page.data.options.map(([name, title]) => element("th", name, { title, scope: "col" })));
    table.tHead.replaceChildren(head);
    table.tBodies[0].replaceChildren(...site.options.map(([chosen, name, ...cells]) => {
      const row = element("tr", undefined, chosen ? { class: "chosen" } : {});
      row.append(element("th", chosen ? say("{turbine} (selected)", { turbine: name }) : name, { scope: "row" }), ...cells.map((cell) => element("td", cell)));
      return row;
    }));
    byId("options-title").textContent = `${say("Suitable turbines")}: ${site.id}`;
  }

  // What `sitefinder explain` says of the site, on a page that was made for it.
  function explained() {
    const box = byId("explained");
    if (!box) return;
    const text = page.data.explained[site.id];
    box.hidden = !text;
    box.querySelector("pre").textContent = text || "";
  }

  const diagrams = [profile, curve, months, cost];
  page.drawings.push(() => { if (site) for (const draw of diagrams) draw(); });
  page.listeners.push((selected, rank) => {
    site = selected;
    byId("picked-title").textContent = site.title;
    byId("previous").disabled = rank <= 1;
    byId("next").disabled = rank >= page.count;
    for (const draw of [...diagrams, links, facts, options, explained]) draw();
  });
  byId("previous").addEventListener("click", () => pick(page.picked - 1, "walk"));
  byId("next").addEventListener("click", () => pick(page.picked + 1, "walk"));
}
