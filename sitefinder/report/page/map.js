// The map: keeps its scale even in both directions, switches layers, and tells which site was picked on it.
function startMap(model) {
  const map = model("map");
  const place = document.getElementById("plot-map");
  const home = {
    x: (map.x_range.start + map.x_range.end) / 2, y: (map.y_range.start + map.y_range.end) / 2,
    width: map.x_range.end - map.x_range.start, height: map.y_range.end - map.y_range.start,
  };

  // Inner size of the plot [pixels].
  const inner = () => [Math.max(map.inner_width, 50), Math.max(map.inner_height, 50)];
  const centre = () => [(map.x_range.start + map.x_range.end) / 2, (map.y_range.start + map.y_range.end) / 2];

  function show(x, y, metresPerPixel) {
    const [width, height] = inner();
    map.x_range.setv({ start: x - width * metresPerPixel / 2, end: x + width * metresPerPixel / 2 });
    map.y_range.setv({ start: y - height * metresPerPixel / 2, end: y + height * metresPerPixel / 2 });
  }
  function whole() {
    const [width, height] = inner();
    show(home.x, home.y, Math.max(home.width / width, home.height / height));
  }
  const scale = () => (map.x_range.end - map.x_range.start) / inner()[0];
  const zoom = (factor) => show(...centre(), scale() / factor);
  function move(across, up) {
    const [x, y] = centre();
    const step = scale() * Math.min(...inner()) / 5;
    show(x + across * step, y + up * step, scale());
  }

  map.properties.inner_width.change.connect(whole);
  map.properties.inner_height.change.connect(whole);
  whole();
  document.getElementById("zoom-in").addEventListener("click", () => zoom(1.5));
  document.getElementById("zoom-out").addEventListener("click", () => zoom(1 / 1.5));
  document.getElementById("whole").addEventListener("click", whole);
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

  document.getElementById("legend").addEventListener("change", (event) => {
    const group = event.target.dataset.layer;
    for (const renderer of map.renderers) if (renderer.name === `layer:${group}`) renderer.visible = event.target.checked;
  });

  const [sites, stretches] = [model("sites"), model("stretches")];
  for (const source of [sites, stretches])
    source.selected.properties.indices.change.connect(() => {
      const at = source.selected.indices[0];
      if (at === undefined) return;
      const rank = Number(source.data.rank[at]);
      // Otherwise a second tap on the same site would tell nothing new.
      source.selected.indices = [];
      pick(rank, "map");
    });

  page.listeners.push((site, rank, from) => {
    const at = sites.data.rank.indexOf(String(rank));
    const [x, y] = [sites.data.x[at], sites.data.y[at]];
    model("picked-site").data = {
      x: [x], y: [y], size: [Math.max(sites.data.size[at], 15) + 5], label: [String(rank)],
    };
    model("picked-line").data = { xs: [stretches.data.xs[at]], ys: [stretches.data.ys[at]] };
    const hidden = x < map.x_range.start || x > map.x_range.end || y < map.y_range.start || y > map.y_range.end;
    if (from !== "map" && hidden) show(x, y, scale());
  });
}
