// Draws the plots and starts everything; the first site is picked, so that its diagrams are never empty.
(async () => {
  const plots = JSON.parse(document.getElementById("plots").textContent);
  const roots = {};
  for (const root of plots.roots) {
    const name = root.attributes.name;
    const place = document.getElementById(`plot-${name}`);
    if (place) roots[root.id] = place.id;
  }
  await Bokeh.embed.embed_items({ plots }, [{ docid: "plots", roots, root_ids: Object.keys(roots) }]);
  const drawn = Bokeh.documents[0];
  const model = (name) => drawn.get_model_by_name(name);
  startTable();
  if (page.data.sites.length) startPicked(model);
  startMap(model);
  pick(1, "start");
  // What is folded is printed all the same.
  const folded = () => [...document.querySelectorAll("details:not([open])")];
  let opened = [];
  // Canvases do not follow the width of paper: those that are wider are made smaller as they are.
  const paper = 650;
  const drawings = () => [...document.querySelectorAll(".stage, .plot")].filter((one) => one.offsetWidth > paper);
  let shrunk = [];
  addEventListener("beforeprint", () => {
    opened = folded();
    for (const part of opened) part.open = true;
    shrunk = drawings().map((one) => [one, one.offsetWidth]);
    for (const [one, width] of shrunk) Object.assign(one.style, { width: `${width}px`, zoom: paper / width });
  });
  addEventListener("afterprint", () => {
    for (const part of opened) part.open = false;
    for (const [one] of shrunk) Object.assign(one.style, { width: "", zoom: "" });
  });
  document.documentElement.dataset.ready = "yes";
})();
