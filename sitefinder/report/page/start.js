// Starts everything; the first site is selected, so that its diagrams are never empty.
page.drawings = [];
startTable();
if (page.data.sites.length) startPicked();
startSupply();
startMap();
pick(1, "start");
// Diagrams are drawn as wide as their place; on paper they are as wide as the paper.
let wide = 0;
new ResizeObserver(() => {
  const width = document.querySelector("main").clientWidth;
  if (width === wide || matchMedia("print").matches) return;
  wide = width;
  for (const draw of page.drawings) draw();
}).observe(document.querySelector("main"));
// What is folded is printed all the same.
let folded = [];
addEventListener("beforeprint", () => {
  folded = [...document.querySelectorAll("details:not([open])")];
  for (const part of folded) part.open = true;
});
addEventListener("afterprint", () => { for (const part of folded) part.open = false; });
document.documentElement.dataset.ready = "yes";
