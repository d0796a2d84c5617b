// Starts everything; the first site is selected, or the one that the page explains, so that diagrams are never empty.
page.drawings = [];
startTable();
if (page.count) startPicked();
startSupply();
startMap();
// Each site has an address: what follows #site= is its id.
const PLACE = "#site=";
const rankAt = (address) => {
  if (!address.startsWith(PLACE)) return 0;
  let id = address.slice(PLACE.length);
  try { id = decodeURIComponent(id); } catch { return 0; }
  for (let rank = 1; rank <= page.count; rank++) if (page.siteId(rank) === id) return rank;
  return 0;
};
page.listeners.push((site, rank, from) => {
  document.body.classList.toggle("chosen", from !== "start");
  if (from !== "start") history.replaceState(null, "", PLACE + encodeURIComponent(site.id));
});
const addressed = () => {
  const rank = rankAt(location.hash);
  if (rank) { pick(rank, "address"); byId("sites").scrollIntoView(); }
};
pick(page.data.opened || 1, "start");
addressed();
addEventListener("hashchange", addressed);
// Diagrams are as wide as their container [pixels]; for A4 paper they have a width that keeps text legible.
const PAPER_WIDTH = 620;
const redraw = () => { for (const draw of page.drawings) draw(); };
let wide = 0;
new ResizeObserver(() => {
  const width = document.querySelector("main").clientWidth;
  if (width === wide || matchMedia("print").matches) return;
  wide = width;
  redraw();
}).observe(document.querySelector("main"));
addEventListener("beforeprint", () => {
  page.paper = PAPER_WIDTH;
  redraw();
});
addEventListener("afterprint", () => {
  page.paper = 0;
  redraw();
});
document.documentElement.dataset.ready = "yes";
