// The map: moves, zooms, switches layers, and selects sites.
function startMap() {
  const [svg, overlay, place] = ["map", "frame", "plot-map"].map(byId);
  const { west, north, unit_m: unit } = page.data.frame;
  const { width, height } = svg.viewBox.baseVal;
  const marks = [...svg.querySelectorAll(".mark")].map((mark) => {
    const at = mark.transform.baseVal.getItem(0).matrix;
    return { mark, x: at.e, y: at.f };
  });
  const markOf = new Map(marks.filter((one) => one.mark.dataset.rank).map((one) => [Number(one.mark.dataset.rank), one]));
  const areas = new Map([...svg.querySelectorAll(".areas path")].map((path, at) => [path, at]));
  const hatches = [...svg.querySelectorAll(".hatch")].map((hatch) => [hatch, -Number(hatch.dataset.angle)]);
  const reaches = new Map([...svg.querySelectorAll(".reaches path")].map((path, at) => [path, at]));
  const [reachTips, placeTips, areaTips] = [page.data.reaches, page.data.places, page.data.areas].map(textRows);
  // Of a large region the script draws the lines.
  const lines = page.data.lines ? startLines(svg, page.data.lines, page.data.step) : null;
  // Centre in units of the map, and units to a pixel.
  const view = { x: width / 2, y: height / 2, scale: 1 };
  // The view that is drawn: during a move the picture is only shifted and scaled, and redrawn at rest.
  const done = { x: 0, y: 0, scale: 0 };
  const REST_MS = 250, held = new Map();
  let [across, down, waiting, resting] = [1, 1, 0, 0];
  const inside = (value, minimum, maximum) => Math.min(Math.max(value, minimum), maximum);

  function draw() {
    waiting = 0;
    clearTimeout(resting);
    svg.classList.remove("moving");
    svg.style.transform = "";
    svg.setAttribute("viewBox", `${view.x - across * view.scale / 2} ${view.y - down * view.scale / 2} ` +
      `${across * view.scale} ${down * view.scale}`);
    if (view.scale !== done.scale) {
      for (const { mark, x, y } of marks) mark.setAttribute("transform", `translate(${x} ${y}) scale(${view.scale})`);
      for (const [hatch, turn] of hatches) hatch.setAttribute("patternTransform", `scale(${view.scale}) rotate(${turn})`);
      declutter();
    }
    if (lines) lines.draw(view, across, down);
    Object.assign(done, view);
    drawFrame();
  }
  // Of the window that a selected stretch may take, and the least ground that is shown about it [m] (own choice).
  const ROOM = 0.5, AROUND_M = 1500;
  // Numbers of sites and names keep clear of each other [pixels]: a number moves off its place with a leader,
  // a name to another side of its place, or is left out until the map is zoomed in.
  const badges = marks.filter(({ mark }) => mark.matches(".sites .mark:not(.small)")).map((one) => ({
    ...one, badge: one.mark.querySelector(".badge"), leader: one.mark.querySelector(".leader"),
    radius: Number(one.mark.querySelector("circle").getAttribute("r")), rank: Number(one.mark.dataset.rank),
  })).sort((one, other) => one.rank - other.rank);
  const named = marks.filter(({ mark }) => mark.querySelector(".name")).map((one) => {
    const name = one.mark.querySelector(".name"), turn = /rotate\(([-\d.]+)/.exec(name.getAttribute("transform") || "");
    return { ...one, name, turn: turn ? Number(turn[1]) * Math.PI / 180 : null, long: name.getComputedTextLength() };
  });
  const RINGS = 6, TURNS = 16, GAP = 2, HIGH = 12;
  function declutter() {
    const taken = [];
    const isFree = (left, top, right, foot) => !taken.some((box) => left < box[2] && right > box[0] && top < box[3] && foot > box[1]);
    const square = (x, y, half) => [x - half, y - half, x + half, y + half];
    const at = (one) => [one.x / view.scale, one.y / view.scale];
    for (const one of badges) {
      if (one.mark.classList.contains("filtered")) continue;
      const [x, y] = at(one), half = one.radius + GAP / 2;
      let best = [0, 0];
      search: for (let ring = 0; ring < RINGS; ring++)
        for (let turn = 0; turn < (ring ? TURNS : 1); turn++) {
          const away = ring ? 1.4 * one.radius + 9 * ring : 0, angle = -Math.PI / 4 + turn * 2 * Math.PI / TURNS;
          const [across, down] = [away * Math.cos(angle), away * Math.sin(angle)];
          if (isFree(...square(x + across, y + down, half))) { best = [across, down]; break search; }
        }
      taken.push(square(x + best[0], y + best[1], half));
      const [across, down] = best.map((one) => one.toFixed(1));
      one.badge.setAttribute("transform", `translate(${across} ${down})`);
      one.leader.setAttribute("d", best[0] || best[1] ? `M-2 0a2 2 0 1 0 4 0a2 2 0 1 0-4 0M0 0L${across} ${down}` : "");
    }
    for (const one of named) {
      const [x, y] = at(one), { long, turn } = one;
      if (turn !== null) {
        // Boxes along the turned name; it may lie on either side of its stream.
        const pieces = Math.max(1, Math.ceil(long / HIGH));
        const boxes = (off) => [...Array(pieces).keys()].map((piece) => {
          const along = -long / 2 + (piece + 0.5) * long / pieces;
          return square(x + along * Math.cos(turn) - off * Math.sin(turn), y + along * Math.sin(turn) + off * Math.cos(turn), HIGH / 2);
        });
        const side = [-8, 10].find((off) => boxes(off).every((box) => isFree(...box)));
        one.name.classList.toggle("crowded", side === undefined);
        if (side === undefined) continue;
        one.name.setAttribute("y", side + 4);
        taken.push(...boxes(side));
        continue;
      }
      const box = ([anchor, dx, dy]) => {
        const left = x + dx - { start: 0, end: long, middle: long / 2 }[anchor];
        return [left, y + dy - HIGH + 2, left + long, y + dy + 2];
      };
      const side = [["start", 7, 4], ["end", -7, 4], ["middle", 0, -8], ["middle", 0, 15]].find((each) => isFree(...box(each)));
      one.name.classList.toggle("crowded", !side);
      if (!side) continue;
      for (const [key, value] of [["text-anchor", side[0]], ["x", side[1]], ["y", side[2]]]) one.name.setAttribute(key, value);
      taken.push(box(side));
    }
  }
  function rest() {
    clearTimeout(resting);
    resting = setTimeout(() => {
      if (held.size) { rest(); return; }
      cancelAnimationFrame(waiting);
      draw();
    }, REST_MS);
  }
  function shift() {
    waiting = 0;
    const stretch = done.scale / view.scale;
    svg.style.transform = `translate(${(done.x - view.x) / view.scale}px, ${(done.y - view.y) / view.scale}px) scale(${stretch})`;
    drawFrame();
  }
  function show(x, y, scale, byHand = false) {
    const whole = Math.max(width / across, height / down);
    isWhole = false;
    view.scale = inside(scale, Math.min(0.25 / unit, whole), 1.5 * whole);
    view.x = inside(x, 0, width);
    view.y = inside(y, 0, height);
    if (byHand) {
      svg.classList.add("moving");
      rest();
    }
    if (!waiting) waiting = requestAnimationFrame(() => (svg.classList.contains("moving") ? shift() : draw()));
  }
  let isWhole = true;
  const whole = () => {
    show(width / 2, height / 2, Math.max(width / across, height / down));
    isWhole = true;
  };
  // Zooming keeps one point of the window fixed, the centre by default.
  function zoom(factor, left = across / 2, top = down / 2, byHand = false) {
    const before = view.scale;
    show(view.x, view.y, before / factor, byHand);
    const change = before - view.scale;
    show(view.x + (left - across / 2) * change, view.y + (top - down / 2) * change, view.scale, byHand);
  }
  function move(right, up) {
    const step = view.scale * Math.min(across, down) / 5;
    show(view.x + right * step, view.y - up * step, view.scale);
  }

  // Coordinates along two edges, and the bar of the scale.
  const round = (value) => {
    const power = 10 ** Math.floor(Math.log10(value));
    return power * [5, 2, 1].find((step) => step * power <= value * (1 + 1e-9));
  };
  function drawFrame() {
    const metres = view.scale * unit;
    const step = round(metres * 200);
    const parts = [];
    overlay.setAttribute("viewBox", `0 0 ${across} ${down}`);
    const [left, top] = [west + (view.x - across * view.scale / 2) * unit, north - (view.y - down * view.scale / 2) * unit];
    for (let at = Math.ceil(left / step) * step; (at - left) / metres < across - 20; at += step) {
      const x = (at - left) / metres;
      if (x < 40) continue;
      parts.push(drawn("path", { d: `M${x} ${down}v-7` }), drawn("text", { x, y: down - 11, "text-anchor": "middle" }, String(at)));
    }
    for (let at = Math.floor(top / step) * step; (top - at) / metres < down - 40; at -= step) {
      const y = (top - at) / metres;
      if (y < 40) continue;
      parts.push(drawn("path", { d: `M0 ${y}h7` }),
        drawn("text", { transform: `translate(18 ${y}) rotate(-90)`, "text-anchor": "middle" }, String(at)));
    }
    const bar = round(metres * across * 0.22), long = bar / metres;
    const called = numeral(bar >= 1000 ? `${bar / 1000} km` : `${bar} m`);
    parts.push(drawn("rect", { x: across - long - 26, y: down - 58, width: long + 20, height: 30 }),
      drawn("path", { class: "bar", d: `M${across - 16} ${down - 40}v6h${-long}v-6` }),
      drawn("text", { x: across - 16 - long / 2, y: down - 43, "text-anchor": "middle" }, called));
    overlay.replaceChildren(...parts);
  }

  // The site, structure, reach or rule area under the pointer or just beside it, what lies on top first.
  function under(event) {
    let area = null;
    for (const [x, y] of [[0, 0], [4, 0], [-4, 0], [0, 4], [0, -4]]) {
      const found = document.elementFromPoint(event.clientX + x, event.clientY + y);
      const hit = found && svg.contains(found) && (found.closest("[data-rank], [data-place]") || ((reaches.has(found) || areas.has(found)) && found));
      // Lines of a large region lie above the areas, and no browser finds them.
      if (hit && lines && areas.has(hit)) area ||= hit;
      else if (hit) return hit;
    }
    return (lines && place.contains(event.target) && lines.under(event, view.scale)) || area;
  }
  // What is under the pointer: a site, structure, rule area or reach.
  const rankOf = (hit) => hit && Number(hit.rank || (hit.dataset && hit.dataset.rank) || 0);
  // Labels with their texts; what is empty is left out.
  const pairs = (labels, texts) => labels.map((label, at) => [label, texts[at]]).filter(([, text]) => text);
  function hover(event) {
    const hit = under(event);
    place.classList.toggle("over", Boolean(rankOf(hit)));
    if (!hit) showTip(event, null);
    else if (rankOf(hit)) showTip(event, page.siteTip(rankOf(hit)));
    else if (hit.reach !== undefined) showTip(event, pairs(page.data.reachTip, reachTips(hit.reach)));
    else if (hit.dataset.place) showTip(event, pairs(page.data.placeTip, placeTips(Number(hit.dataset.place))));
    else if (areas.has(hit)) showTip(event, pairs(page.data.areaTip, areaTips(areas.get(hit))));
    else showTip(event, pairs(page.data.reachTip, reachTips(reaches.get(hit))));
  }

  // One pointer moves the map, two zoom it.
  let [begin, moved] = [null, false];
  const middle = () => [...held.values()].reduce(([x, y], [one, other]) => [x + one / held.size, y + other / held.size], [0, 0]);
  const spread = () => {
    const [one, other] = held.values();
    return other ? Math.hypot(one[0] - other[0], one[1] - other[1]) : 0;
  };
  place.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    if (!held.size) [begin, moved] = [[event.clientX, event.clientY], false];
    held.set(event.pointerId, [event.clientX, event.clientY]);
  });
  place.addEventListener("pointermove", (event) => {
    if (!held.has(event.pointerId)) { if (event.pointerType === "mouse") hover(event); return; }
    if (!moved && Math.hypot(event.clientX - begin[0], event.clientY - begin[1]) < 4) return;
    if (!moved) { moved = true; showTip(event, null); place.setPointerCapture(event.pointerId); }
    const [before, wide] = [middle(), spread()];
    held.set(event.pointerId, [event.clientX, event.clientY]);
    const [after, wider] = [middle(), spread()];
    show(view.x - (after[0] - before[0]) * view.scale, view.y - (after[1] - before[1]) * view.scale, view.scale, true);
    if (wide && wider) {
      const box = place.getBoundingClientRect();
      zoom(wider / wide, after[0] - box.left, after[1] - box.top, true);
    }
  });
  for (const end of ["pointerup", "pointercancel"])
    place.addEventListener(end, (event) => held.delete(event.pointerId));
  place.addEventListener("pointerleave", (event) => showTip(event, null));
  place.addEventListener("click", (event) => {
    const hit = moved ? null : under(event);
    if (rankOf(hit)) pick(rankOf(hit), "map");
  });
  place.addEventListener("dblclick", (event) => {
    const box = place.getBoundingClientRect();
    zoom(2, event.clientX - box.left, event.clientY - box.top);
  });
  place.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    const box = place.getBoundingClientRect();
    zoom(2 ** (-Math.sign(event.deltaY) / 3), event.clientX - box.left, event.clientY - box.top, true);
  }, { passive: false });

  byId("zoom-in").addEventListener("click", () => zoom(1.5));
  byId("zoom-out").addEventListener("click", () => zoom(1 / 1.5));
  byId("whole").addEventListener("click", whole);
  place.addEventListener("keydown", (event) => {
    const keys = {
      ArrowLeft: () => move(-1, 0), ArrowRight: () => move(1, 0), ArrowUp: () => move(0, 1),
      ArrowDown: () => move(0, -1), "+": () => zoom(1.5), "=": () => zoom(1.5), "-": () => zoom(1 / 1.5),
      Home: whole,
    };
    if (!keys[event.key] || event.ctrlKey || event.metaKey) return;
    keys[event.key]();
    event.preventDefault();
  });

  page.filters.push((ranks) => {
    for (const part of svg.querySelectorAll("[data-rank]")) part.classList.toggle("filtered", !ranks.has(Number(part.dataset.rank)));
    if (lines) lines.filter(ranks);
    declutter();
  });

  // Sites larger or darker by a column of the table: five shades between its smallest and largest figure.
  const SHADES = ["#fdf3d6", "#f4cf7c", "#d99a2b", "#a8641a", "#6b3a10"], LIGHT_TEXT = 3;
  const circles = new Map([...svg.querySelectorAll(".sites .mark")].map((mark) => [Number(mark.dataset.rank), mark]));
  function restyle() {
    const [sizes, colours] = ["size-by", "colour-by"].map((name) => page.figures(byId(name).value));
    const of = (values) => [...values.values()].filter(Number.isFinite);
    const largest = Math.max(0, ...of(sizes)), [low, high] = [Math.min(...of(colours)), Math.max(...of(colours))];
    for (const [rank, mark] of circles) {
      const circle = mark.querySelector("circle"), small = mark.classList.contains("small");
      const share = largest > 0 && sizes.get(rank) > 0 ? Math.sqrt(sizes.get(rank) / largest) : 0;
      circle.setAttribute("r", (small ? 2.5 + 3.5 * share : 7.5 + 6.5 * share).toFixed(1));
      const value = colours.get(rank), is_known = Number.isFinite(value);
      const shade = is_known ? Math.min(4, Math.floor(5 * (value - low) / (high - low || 1))) : -1;
      circle.style.fill = shade < 0 ? "" : SHADES[shade];
      const text = mark.querySelector("text");
      if (text) text.style.fill = shade >= LIGHT_TEXT ? "#fff" : "";
    }
    const words = (value) => value.toLocaleString(language, { maximumSignificantDigits: 3 });
    byId("colour-key").textContent = of(colours).length ? say("pale {low}, dark {high}", { low: words(low), high: words(high) }) : "";
    for (const one of badges) one.radius = Number(one.mark.querySelector("circle").getAttribute("r"));
    declutter();
  }
  if (byId("size-by")) for (const name of ["size-by", "colour-by"]) byId(name).addEventListener("change", restyle);

  byId("legend").addEventListener("change", (event) => {
    for (const group of svg.querySelectorAll(`[data-layer="${event.target.dataset.layer}"]`))
      group.classList.toggle("off", !event.target.checked);
  });

  page.listeners.push((site, rank, from) => {
    for (const old of svg.querySelectorAll(".selected")) {
      old.classList.remove("selected");
      if (old.matches(".small")) old.querySelector("text").remove();
    }
    if (lines) lines.select(rank);
    // The selected site is on top.
    for (const part of svg.querySelectorAll(`[data-rank="${rank}"]`)) {
      part.classList.add("selected");
      if (part.matches(".small")) part.append(drawn("text", { y: 4 }, String(rank)));
      part.parentNode.append(part);
    }
    if (from === "map" || from === "start") return;
    // The stretch with the ground around it, at most as near as it takes to see where it lies.
    const stretch = svg.querySelector(`.stretches [data-rank="${rank}"]`), { x, y } = markOf.get(rank);
    const box = stretch ? stretch.getBBox() : { x, y, width: 0, height: 0 };
    const wide = Math.max(box.width / across, box.height / down) / ROOM, least = AROUND_M / unit / Math.min(across, down);
    show(box.x + box.width / 2, box.y + box.height / 2, Math.min(Math.max(wide, least), view.scale));
  });

  // The window follows its box; paper shows what the window shows.
  function measure() {
    if (matchMedia("print").matches) return;
    [across, down] = [Math.max(place.clientWidth, 50), Math.max(place.clientHeight, 50)];
    // What somebody looks at stays in the middle.
    if (isWhole) whole();
    else show(view.x, view.y, view.scale);
  }
  new ResizeObserver(measure).observe(place);
  measure();
  draw();
  page.map = view;
}
