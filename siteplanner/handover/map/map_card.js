/* Cards: what is said of what was tapped, beside the map or beneath it, never over what it is about. */
"use strict";

/* ---- what a tap shows --------------------------------------------------------------- */

const facts = (pairs) => el("dl", {}, pairs.filter((pair) => pair[1] !== "").flatMap(([name, value]) =>
  [el("dt", {}, name), el("dd", {}, value)]));
const chip = (zone) => el("span", { class: `chip ${zone.marks}`, style: { backgroundColor: zone.colour } },
  el("b", {}, zone.zone));
const note = (text) => el("p", { class: "note" }, text);
const speciesName = (species) => [markOf(species.marks, 8), el("span", {}, species.common_name, " ",
  el("i", {}, species.botanical_name), " ", el("small", {}, species.code))];

/* Numbers of trees by species; `columns` are keys of `counts`. */
function speciesTable(counts, caption, columns) {
  const cells = (n) => el("td", {}, count(n));
  const sum = (key) => counts.reduce((total, row) => total + row[key], 0);
  return el("table", {}, el("caption", {}, caption),
    el("thead", {}, el("tr", {}, ["Species", ...columns.map(titled)].map((head) =>
      el("th", { scope: "col" }, head)))),
    el("tbody", {}, counts.map((row) => el("tr", {},
      el("th", { scope: "row" }, el("div", { class: "species" }, speciesName(plan.species[row.species]))),
      columns.map((key) => cells(row[key]))))),
    el("tfoot", {}, el("tr", {}, el("th", { scope: "row" }, "All"), columns.map((key) => cells(sum(key))))));
}

const yearWords = (year) => (year ? `year ${year}` : "a later year than this plan covers");

function oddsRows(rows, caption) {
  return el("table", { class: "odds" }, el("caption", {}, caption),
    el("thead", {}, el("tr", {}, ["Species", "Mean of the places, and the worst tenth"].map((head) =>
      el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map((row) => el("tr", {}, el("th", { scope: "row" },
      plan.species[row.species].common_name), el("td", {}, row.words,
      row.worst === row.words ? null : el("small", {}, `worst tenth: ${row.worst}`))))));
}
/* Of planted species at their own places; of the others, folded away, on all of the zone's ground. */
function oddsTable(zone) {
  const rows = plan.frost_odds.filter((row) => row.zone === zone.zone);
  const planted = rows.filter((row) => row.planted), others = rows.filter((row) => !row.planted);
  if (!rows.length) return null;
  return [planted.length ? oddsRows(planted, "Odds that a frost kills a seedling in one winter, over the places " +
      "where the species is planted") : null,
    others.length ? el("details", {}, el("summary", {}, "Odds for species not planted here"),
      oddsRows(others, "Odds that a frost kills a seedling in one winter, over all of the zone's ground")) : null,
    note("Estimates, not a forecast. " + plan.words.sure)];
}

const aboutZone = (zone) => [
  el("h2", {}, chip(zone), " ", zone.title), zone.why_not ? el("p", { class: "why-not" }, zone.why_not) : null,
  el("p", {}, zone.ground),
  facts([["Area", zone.area], ["Trees", count(zone.trees)],
    ["Spacing", zone.trees ? `${zone.spacing_m} m, ${zone.pattern} (on the map)` : ""],
    ["Density", zone.trees ? `${count(zone.density_ha)} trees per ha` : ""]]),
  zone.trees ? [speciesTable(zone.counts, `Trees in zone ${zone.zone}`, ["trees", "order"]), note(plan.words.losses)] : null,
  oddsTable(zone),
  el("p", { class: "blocks-of" }, "Blocks: ", plan.blocks.filter((block) => block.zone === zone.zone)
    .map((block) => el("button", { type: "button", onclick: (event) => goToBlock(block, event) }, block.block)))];

function aboutTree(i) {
  const species = plan.species[treeLayer.trees.species[i]];
  const { trees } = treeLayer, k = placeOfRow(trees, i), row = trees.rows[k], block = plan.blocks[row[0]];
  const year = treeLayer.trees.year?.[i], mother = treeLayer.trees.mother?.[i];
  const ask = (about, ...words) => el("button", { class: "row", type: "button",
    onclick: () => openAt(treeLayer.latLng(i), about()) }, words);
  return [el("h2", { class: "species" }, speciesName(species)),
    facts([["Block", block.block], ["Row", nameOf(row)],
      ["Tree", block.ordered === undefined ? "" : `${i - firstOf(trees, k) + 1} of ${row[2]} from the row's first peg`], ["Zone", block.zone],
      ["Paddock", block.paddock], ["Plant in", year === undefined ? "" : yearWords(year)],
      ["Seed from", mother === undefined ? "" : plan.trees.mothers[mother]],
      ["Use", species.roles], ["Caution", species.cautions]]),
    el("button", { class: "row", type: "button", onclick: () => openAt(treeLayer.latLng(i), aboutBlock(block), { block }) },
      "About this block"),
    plan.zones.filter((zone) => zone.zone === block.zone).map((zone) =>
      ask(() => aboutZone(zone), chip(zone), "About this zone"))];
}
const aboutFeature = (thing) => [
  el("h2", {}, titled(plan.symbology[thing.kind].word)), thing.name ? el("p", {}, thing.name) : null,
  el("p", {}, thing.setback_m ? `Keep trees at least ${thing.setback_m} m away from it.`
    : "Plant no trees on it. It has no setback around it."), note(plan.words.codes)];
const aboutSetback = (ground) => [el("h2", {}, "Setback: no trees"),
  el("p", {}, `${titled(plan.symbology[ground.kind].word)}: keep trees at least ${ground.setback_m} m away.`), note(plan.words.codes)];
const aboutHollow = (hollow) => [el("h2", {}, `Hollow ${hollow.hollow}: no outlet`),
  facts([["Area", `${hollow.area_ha.toFixed(2)} ha`], ["Deepest", `${hollow.depth_m.toFixed(1)} m`],
    ["Trees in it", count(hollow.trees)]]), note("Water may stand here. Look after rain before you plant.")];
const aboutPaddock = (paddock) => [el("h2", {}, paddock.name),
  paddock.why_not ? el("p", { class: "why-not" }, paddock.why_not) : null,
  facts([["Area", paddock.area], ["Trees", count(paddock.trees)]])];
const heightWords = plan.reference_height_m === null ? "the reference height"
  : plan.reference_height_m + " m";
const aboutFrost = (reading) => [el("h2", {}, "Frost reading"), el("p", {}, reading.name),
  facts([["Coldest of the winter", `${celsius(reading.winter_min_c)}, read at ${reading.height_m} m`],
    ["Adjusted to " + heightWords, celsius(reading.at_reference_c)],
    ["Estimate on the map", celsius(reading.estimated_c)]]), note(plan.words.sure + " It is not a forecast.")];

/* ---- the card ---------------------------------------------------------------------------- */

const card = document.getElementById("card");
const pin = L.layerGroup(); // a ring around what the card is about
let asker = null; // the button that asked for the card, to give the focus back to

/* Room that bars, panel and card leave of the map, as Leaflet wants it for a fit. */
function free(rim = 24) {
  const stage = map.getContainer().getBoundingClientRect(), pad = { left: 0, top: 0, right: 0, bottom: 0 };
  const bars = document.querySelector(".buttons");
  if (bars.offsetWidth > 2 * bars.offsetHeight) pad.top = bars.offsetHeight + 8; else pad.left = bars.offsetWidth + 8;
  for (const one of [card, document.getElementById("panel")]) {
    const box = one.getBoundingClientRect();
    if (!box.width || box.right <= stage.left) continue; // hidden, or beside the map
    if (box.width > 0.8 * stage.width) pad.bottom = Math.max(pad.bottom, stage.bottom - box.top);
    else pad.right = stage.right - box.left;
  }
  return { animate: false, paddingTopLeft: [pad.left + rim, pad.top + rim],
    paddingBottomRight: [pad.right + rim, pad.bottom + rim] };
}
function openAt(latlng, content, { block = null } = {}) {
  const from = document.activeElement;
  if (block !== picked.block && !(picked.block && block === null && covers(picked.block, ...pageUnits(latlng)))) {
    pick(block);
  }
  document.getElementById("about").replaceChildren(...[content].flat(Infinity).filter((part) => part));
  if (card.hidden) asker = from && from.closest?.("#panel, .leaflet-marker-icon") ? from : null;
  if (phone.matches) showPanel(null);
  card.hidden = false;
  card.scrollTop = 0;
  document.getElementById("app").classList.add("telling");
  pin.clearLayers();
  if (!block) {
    for (const [color, weight] of [["#fff", 6], [INK, 2.5]]) {
      L.circleMarker(latlng, { pane: "place", renderer: renderers.place, radius: 12, color, weight, fill: false,
        interactive: false }).addTo(pin);
    }
    const { paddingTopLeft, paddingBottomRight } = free();
    map.panInside(latlng, { paddingTopLeft, paddingBottomRight, animate: false });
  }
  card.focus({ preventScroll: true });
}
function closeCard() {
  if (card.hidden) return;
  card.hidden = true;
  pin.clearLayers();
  document.getElementById("app").classList.remove("telling");
  if (asker && asker.isConnected) asker.focus();
  asker = null;
}
document.addEventListener("keydown", (event) => { if (event.key === "Escape") closeCard(); });
document.getElementById("card-close").addEventListener("click", closeCard);

const areasOf = (record) => record.shape.areas || [];

/* ---- the picked block: outlined, and all around it pale ------------------------------------- */

const picked = { block: null, shapes: L.layerGroup() };
function pick(block) {
  picked.block = block;
  picked.shapes.clearLayers();
  treeLayer.pick(block && plan.blocks.indexOf(block));
  if (!block) return;
  const rings = areasOf(block).map((area) => area.map(line)), world = EDGES.pad(4);
  const all = [world.getSouthWest(), world.getNorthWest(), world.getNorthEast(), world.getSouthEast()];
  const options = { pane: "picked", renderer: renderers.picked, interactive: false };
  L.polygon([all, ...rings.map((area) => area[0])], { ...options, stroke: false, fillColor: "#fff",
    fillOpacity: 0.6 }).addTo(picked.shapes);
  for (const [color, weight] of [["#fff", 8], [INK, 4]]) {
    for (const area of rings) L.polygon(area, { ...options, color, weight, fill: false }).addTo(picked.shapes);
  }
}

/* ---- finding what is under a tap, in page units --------------------------------------- */

function inArea(rings, x, y) {
  let inside = false;
  for (const ring of rings) {
    for (let i = 0, j = ring.length - 2; i < ring.length; j = i, i += 2) {
      const crosses = ring[i + 1] > y !== ring[j + 1] > y;
      if (crosses && x < ((ring[j] - ring[i]) * (y - ring[i + 1])) / (ring[j + 1] - ring[i + 1]) + ring[i]) {
        inside = !inside;
      }
    }
  }
  return inside;
}
function nearLine(flat, x, y, reach) {
  const at = L.point(x, y);
  for (let i = 0; i + 3 < flat.length; i += 2) {
    const a = L.point(flat[i], flat[i + 1]), b = L.point(flat[i + 2], flat[i + 3]);
    if (L.LineUtil.pointToSegmentDistance(at, a, b) <= reach) return true;
  }
  return flat.length === 2 && at.distanceTo(L.point(flat)) <= reach;
}
const covers = (record, x, y) => areasOf(record).some((rings) => inArea(rings, x, y));

/* What lies under a tap: its place and its sheet, or undefined. */
function under(latlng) {
  const tree = map.hasLayer(treeLayer) ? treeLayer.near(latlng, 16) : -1;
  if (tree >= 0) return [treeLayer.latLng(tree), aboutTree(tree)];
  const [x, y] = pageUnits(latlng);
  const reach = (12 * plan.units * 2 * Math.PI * 6378137) / map.options.crs.scale(map.getZoom());
  const on = (name) => map.hasLayer(GROUPS[name]);
  const thing = on("no_plant") && (plan.no_plant.find((one) =>
    [...(one.shape.lines || []), ...(one.shape.points || [])].some((flat) => nearLine(flat, x, y, reach)))
    || plan.no_plant.find((one) => covers(one, x, y)));
  if (thing) return [latlng, aboutFeature(thing)];
  const close = map.getContainer().classList.contains("close");
  const finders = [["hollows", plan.hollows, aboutHollow], ["blocks", close ? plan.blocks : [], aboutBlock], ["zones", plan.zones, aboutZone],
    ["setbacks", plan.setbacks, aboutSetback], ["paddocks", plan.paddocks, aboutPaddock]];
  for (const [name, records, about] of finders) {
    const hit = on(name) && records.find((record) => covers(record, x, y));
    if (hit) return [latlng, about(hit), name === "blocks" ? hit : null];
  }
  return undefined;
}
async function tapped({ latlng }) {
  const [at, sheet, block] = under(latlng) || [latlng, null, null];
  const said = [await valueAt(at), await saidOf(at)].filter((one) => one);
  if (!said.length && !sheet) return closeCard();
  return openAt(at, [said, said.length && sheet ? el("hr") : null, sheet], { block });
}
