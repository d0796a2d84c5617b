// The picked site: diagrams, facts, machines and cost, from the data of the page.
function startPicked(model) {
  const byId = (name) => document.getElementById(name);
  const dash = (values) => values.map((value) => (value === null ? NaN : value));
  const short = (value) => (value === null ? "not known" : Number(value.toPrecision(3)).toString());

  // Ranges follow the data; the script sets them, since empty plots would have none to begin with.
  function fit(plot, axis, values, from, to) {
    const known = values.filter((value) => Number.isFinite(value));
    if (!known.length) return;
    const [least, most] = [Math.min(...known), Math.max(...known)];
    model(plot)[`${axis}_range`].setv({ start: from(least, most), end: to(least, most) });
  }

  function heading(name, title, site) { byId(`${name}-title`).textContent = `${title}: ${site.id}`; }

  function profile(site) {
    const told = site.profile;
    heading("profile", "Long profile", site);
    byId("plot-profile").hidden = !told;
    if (!told) { byId("profile-text").textContent = "There is no long profile of this site."; return; }
    model("profile-water").data = { x: told.x, y: dash(told.y), low: dash(told.low), high: dash(told.high) };
    const read = { x: [], y: [] }, refused = { x: [], y: [] };
    told.raw.forEach((value, at) => {
      if (value === null) return;
      const into = told.refused[at] ? refused : read;
      into.x.push(told.x[at]);
      into.y.push(value);
    });
    model("profile-read").data = read;
    model("profile-refused").data = refused;
    model("legend read, left out").visible = refused.x.length > 0;
    const ends = { x: [], y: [], name: [], marker: [] };
    const mark = (at, name, marker) => {
      ends.x.push(told.x[at]); ends.y.push(told.y[at]); ends.name.push(name); ends.marker.push(marker);
    };
    for (const [at, name] of told.structures) mark(at, name, "square");
    if ("intake" in told.marks) mark(told.marks.intake, "intake", "triangle");
    if ("tailrace" in told.marks) mark(told.marks.tailrace, "tailrace", "inverted_triangle");
    model("profile-ends").data = ends;
    fit("profile", "x", told.x, (least) => least, (least, most) => most + 0.12 * (most - least));
    fit("profile", "y", [...dash(told.low), ...dash(told.high), ...dash(told.raw)],
      (least, most) => least - 0.08 * (most - least || 1), (least, most) => most + 0.12 * (most - least || 1));
    const level = (name) => (name in told.marks
      ? `${name} at ${told.y[told.marks[name]].toFixed(1)} m, 90 % band ${told.low[told.marks[name]].toFixed(1)} to ` +
        `${told.high[told.marks[name]].toFixed(1)} m` : `${name} not told`);
    byId("profile-text").textContent = `Water at the ${level("intake")}; at the ${level("tailrace")}.`;
  }

  function curve(site) {
    const told = site.curve;
    heading("curve", "Flow duration curve at the intake", site);
    byId("plot-curve").hidden = !told;
    if (!told) { byId("curve-text").textContent = "There is no duration curve of this site."; return; }
    // A logarithmic axis has no place for nothing.
    const flow = told.flow.map((value) => (value > 0 ? value : NaN));
    const floor = told.reserved.map((value) => (value > 0 ? value : Math.min(...flow.filter((one) => one > 0))));
    const full = told.reserved.map((value) => (value === null ? NaN : value + told.design));
    model("curve-flow").data = {
      x: told.share, flow, reserved: told.reserved.map((value) => (value > 0 ? value : NaN)), full,
      floor, top: flow.map((value, at) => (Number.isNaN(value) ? floor[at] :
        Math.max(floor[at], Math.min(value, full[at])))),
    };
    fit("curve", "y", [...flow, ...floor, ...full], (least) => least / 1.3, (least, most) => most * 1.3);
    byId("curve-text").textContent = `Design flow ${short(told.design)} m³/s on top of what stays in the stream; ` +
      `between the two lines lies what the machine may take.`;
  }

  function months(site) {
    const told = site.months;
    heading("months", "Energy by month", site);
    byId("plot-months").hidden = !told;
    if (!told) {
      byId("months-text").textContent = "Energy by month is not known: no equation of this run tells of months.";
      return;
    }
    const names = model("months").x_range.factors;
    model("months-energy").data = {
      month: told.month.map((month) => names[month - 1]), energy: dash(told.energy),
      colour: told.closed.map((closed) => (closed ? "#f4cf7c" : "#9fcdd0")),
      told: told.closed.map((closed) => (closed ? "closed for the migration of fish" : "open")),
    };
    fit("months", "y", dash(told.energy), () => 0, (least, most) => most * 1.08 || 1);
    const closed = told.month.filter((month, at) => told.closed[at]).map((month) => names[month - 1]);
    byId("months-text").textContent = told.month.map((month, at) => `${names[month - 1]} ${short(told.energy[at])}`)
      .join(", ") + " MWh." + (closed.length ? ` Closed for the migration of fish: ${closed.join(", ")}.` : "");
  }

  function cost(site) {
    const told = site.cost;
    heading("cost", "Cost of energy against solar", site);
    const rows = [
      ["this site, P10 to P90", told.cost_per_kwh, told.cost_per_kwh_p10, told.cost_per_kwh_p90, ""],
      ["solar", told.solar_cost_per_kwh, null, null, "solar"],
      ["solar with storage for as many hours", told.solar_firm_cost_per_kwh, null, null, "solar"],
    ];
    const most = 1.05 * Math.max(...rows.flatMap((row) => row.slice(1, 4)).map((value) => value || 0)) || 1;
    const percent = (value) => `${100 * value / most}%`;
    byId("cost-rows").replaceChildren(...rows.map(([name, value, low, high, kind]) => {
      const row = element("div", undefined, { class: "cost" });
      const track = element("div", undefined, { class: `track ${kind}`, "aria-hidden": "true" });
      if (low !== null && high !== null) {
        const range = element("i");
        range.style.left = percent(low);
        range.style.width = percent(high - low);
        track.append(range);
      }
      if (value !== null) {
        const at = element("b");
        at.style.left = percent(value);
        track.append(at);
      }
      row.append(element("div", name), track,
        element("div", value === null ? "not known" : `${short(value)} ${told.unit}`, { class: "value" }));
      return row;
    }));
    byId("cost-text").textContent = `Site ${short(told.cost_per_kwh)} ${told.unit} (P10 ` +
      `${short(told.cost_per_kwh_p10)}, P90 ${short(told.cost_per_kwh_p90)}); the bar is the interval, the mark the ` +
      `cost itself.`;
  }

  function facts(site) {
    const groups = new Map();
    page.data.labels.forEach(([group, label, meaning], at) => {
      if (!groups.has(group)) groups.set(group, element("dl"));
      groups.get(group).append(element("dt", label, { title: meaning }), element("dd", site.facts[at]));
    });
    byId("facts").replaceChildren(...[...groups].map(([group, list]) => {
      const part = element("section");
      part.append(element("h4", group), list);
      return part;
    }));
    const flags = element("div", undefined, { class: site.flags.length ? "warn" : "" });
    flags.append(element("strong", site.flags.length ? "Doubtful here" : ""));
    const list = element("ul");
    list.append(...site.flags.map((flag) => element("li", flag)));
    if (site.flags.length) flags.append(list);
    byId("picked-flags").replaceChildren(flags);
  }

  function options(site) {
    const table = byId("options");
    const head = element("tr");
    head.append(...page.data.options.map(([name, title]) => element("th", name, { title, scope: "col" })));
    table.tHead.replaceChildren(head);
    table.tBodies[0].replaceChildren(...site.options.map(([chosen, name, ...cells]) => {
      const row = element("tr", undefined, chosen ? { class: "chosen" } : {});
      row.append(element("th", chosen ? `${name} (chosen)` : name, { scope: "row" }),
        ...cells.map((cell) => element("td", cell)));
      return row;
    }));
    byId("options-title").textContent = `Machines that would fit: ${site.id}`;
  }

  page.listeners.push((site, rank) => {
    byId("picked-title").textContent = site.title;
    byId("previous").disabled = rank <= 1;
    byId("next").disabled = rank >= page.data.sites.length;
    for (const tell of [profile, curve, months, cost, facts, options]) tell(site);
  });
  byId("previous").addEventListener("click", () => pick(page.picked - 1, "walk"));
  byId("next").addEventListener("click", () => pick(page.picked + 1, "walk"));
}
