/* Print what is on the screen: the view with a key to it, or the leaf of the picked block. */
"use strict";

/* Sizes of the map on A4 within its margins, in pixels of 1/96 inch: the style sheet brings a tall one
   to landscape paper and a wide one to portrait paper. */
const ON_PAPER = { leaf: [690, 520], tall: [690, 640], wide: [740, 570] };
const printing = { before: null };

/* Zones and kinds of things that are in view, and the species where trees are. */
function keyOfView() {
  const inView = map.getBounds();
  const zones = plan.zones.filter((_, i) => zoneAreas[i].getLayers().some((part) => part.getBounds().intersects(inView)));
  const things = document.querySelector("#panel-Key .things").cloneNode(true);
  const trees = treeLayer.shown() && map.hasLayer(treeLayer) ? treeLayer.kindsIn(inView) : [];
  return [el("h2", {}, "Zones"), el("ul", { class: "key" }, zones.map((zone) => el("li", {}, chip(zone),
    el("span", {}, zone.title, el("small", {}, ` ${zone.area}, ${zone.trees ? several(zone.trees, "tree") : "no trees"}`))))),
  trees.length ? [el("h2", {}, "Species"), el("ul", { class: "key" }, trees.map((species) =>
    el("li", { class: "species" }, speciesName(plan.species[species]))))] : null,
  el("h2", {}, "Lines and areas"), things];
}
function leafOf(block) {
  return [...blockParts(block), block.said ? rowsTable(block) : null];
}
function onPaper() {
  if (printing.before) return;
  const { block } = picked, stage = map.getContainer().getBoundingClientRect();
  const shape = block ? "leaf" : stage.width > stage.height ? "wide" : "tall";
  printing.before = { centre: map.getCenter(), zoom: map.getZoom(), snap: map.options.zoomSnap, shape,
    legend: document.getElementById("legend").open };
  const bounds = block ? L.latLngBounds(areasOf(block).flatMap((area) => line(area[0]))).pad(0.06) : map.getBounds();
  const root = document.documentElement, paper = document.getElementById("paper");
  root.classList.add("on-paper", shape);
  const [wide, high] = ON_PAPER[shape];
  Object.assign(document.getElementById("stage").style, { width: `${wide}px`, height: `${high}px` });
  document.getElementById("legend").open = true;
  map.options.zoomSnap = 0;
  map.invalidateSize({ animate: false, pan: false });
  map.fitBounds(bounds, { animate: false });
  restyle();
  const parts = block ? leafOf(block) : keyOfView();
  paper.replaceChildren(...[parts, note(plan.words.codes), note(plan.words.services), note(plan.words.sure)]
    .flat(Infinity).filter((part) => part));
}
function offPaper() {
  const { before } = printing;
  if (!before) return;
  printing.before = null;
  document.documentElement.classList.remove("on-paper", before.shape);
  Object.assign(document.getElementById("stage").style, { width: "", height: "" });
  document.getElementById("legend").open = before.legend;
  document.getElementById("paper").replaceChildren();
  map.options.zoomSnap = before.snap;
  map.invalidateSize({ animate: false, pan: false });
  map.setView(before.centre, before.zoom, { animate: false });
  restyle();
}
window.addEventListener("beforeprint", onPaper);
window.addEventListener("afterprint", offPaper);
