// Starts everything; the first site is selected, so that its diagrams are never empty.
page.drawings = [];
startTable();
if (page.data.sites.length) startPicked();
startSupply();
startMap();
pick(1, "start");
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
// Collapsed parts are printed too.
let folded = [];
addEventListener("beforeprint", () => {
  folded = [...document.querySelectorAll("details:not([open])")];
  for (const part of folded) part.open = true;
  page.paper = PAPER_WIDTH;
  redraw();
});
addEventListener("afterprint", () => {
  for (const part of folded) part.open = false;
  page.paper = 0;
  redraw();
});
document.documentElement.dataset.ready = "yes";
