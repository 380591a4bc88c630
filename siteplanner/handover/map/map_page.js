/* The map itself: draws the plan that the page carries, and opens a sheet on what is tapped. */
"use strict";

const plan = JSON.parse(document.getElementById("siteplan-data").textContent);
window.siteplan = plan;
const map = window.map_site;
const [WEST, SOUTH, WIDTH, HEIGHT] = plan.frame;
const phone = window.matchMedia("(max-width: 800px)");

/* ---- small helpers ---------------------------------------------------------------- */

/* Text without what turns the order of reading, which could make another number of a number. */
const unturned = (value) => (typeof value === "string" ?
  value.replace(/[\u202a-\u202e\u2066-\u2069]/g, "\ufffd") : value);
/* An element; texts become text nodes, so that nothing of the plan is read as markup. */
function el(tag, attributes, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name === "style") Object.assign(made.style, value);
    else if (value !== false) made.setAttribute(name, value === true ? "" : unturned(value));
  }
  made.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined).map(unturned));
  return made;
}
const count = (n) => n.toLocaleString("en");
const several = (n, noun) => `${count(n)} ${noun}${n === 1 ? "" : "s"}`;
const signed = (n, digits) => (n === null ? "unknown" : n.toFixed(digits).replace("-", "−"));
const celsius = (n) => (n === null ? "unknown" : signed(n, 1) + " °C");
const titled = (words) => words.charAt(0).toUpperCase() + words.slice(1);

const place = (x, y) => L.Projection.SphericalMercator.unproject(
  L.point(WEST + x / plan.units, SOUTH + y / plan.units));
function line(flat) {
  const points = [];
  for (let i = 0; i < flat.length; i += 2) points.push(place(flat[i], flat[i + 1]));
  return points;
}

/* ---- what is drawn ---------------------------------------------------------------- */

const PANES = ["relief", "ground", "setbacks", "zones", "blocks", "hollows", "paddocks", "features", "trees",
  "place"];
const renderers = {};
PANES.forEach((name, i) => {
  map.createPane(name).style.zIndex = 250 + 10 * i;
  if (i > 1 && name !== "trees") renderers[name] = L.svg({ pane: name, padding: 0.5 });
});

function drawn(record, pane, style) {
  const options = { pane, renderer: renderers[pane], interactive: false, ...style };
  const { areas = [], lines = [], points = [] } = record.shape;
  return L.layerGroup([
    ...areas.map((rings) => L.polygon(rings.map(line), options)),
    ...lines.map((flat) => L.polyline(line(flat), { ...options, fill: false })),
    ...points.map((flat) => L.marker(line(flat)[0], { pane, interactive: false, keyboard: false,
      icon: L.divIcon({ className: "thing", iconSize: [0, 0], html: markOf(style.marker, style.color, 1.5 * MM) }) })),
  ]);
}

/* A small picture of a marker shape of `plan.markers`, with a radius in pixels. */
function markOf(shape, colour, radius, rim = "#fff") {
  const corners = plan.markers[shape];
  const svg = L.SVG.create("svg"), path = L.SVG.create("path");
  const side = 2.8 * radius;
  for (const [name, value] of Object.entries({ class: "mark", viewBox: "-1.4 -1.4 2.8 2.8", width: side,
    height: side, "aria-hidden": "true" })) svg.setAttribute(name, value);
  for (const [name, value] of Object.entries({ fill: colour, stroke: rim, "stroke-width": 0.16,
    d: corners.length ? `M${corners.map(([x, y]) => `${x} ${-y}`).join("L")}Z`
      : "M-1 0a1 1 0 1 0 2 0a1 1 0 1 0-2 0" })) path.setAttribute(name, value);
  svg.append(path);
  return svg;
}
const labels = []; // in order of importance; see declutter
function label(at, text, kind) {
  const icon = L.divIcon({ className: "label " + kind, iconSize: null, html: el("span", {}, text) });
  const marker = L.marker(place(...at), { icon, interactive: false, keyboard: false });
  labels.push({ marker, kind, width: at[2], half: HALVES[kind](text.length) });
  return marker;
}
const RANKS = ["zone", "frost", "block", "paddock"];
/* Half width, half height and shift down of a label's text, pixels. */
const HALVES = {
  frost: () => [27, 13, -15], zone: (n) => [9 * n, 10, 0], block: (n) => [5 * n + 6, 12, 12],
  paddock: (n) => [3.6 * n, 9, 0],
};

/* Hide the text of labels that would lie on one of more importance, or fill their area. */
function declutter() {
  const close = map.getContainer().classList.contains("close"), taken = [];
  const pixel = plan.units * 2 * Math.PI * 6378137 / map.options.crs.scale(map.getZoom());
  for (const { marker, kind, width, half } of labels) {
    const box = marker.getElement();
    if (!box || (close ? kind === "zone" || kind === "paddock" : kind === "block")) continue;
    const [x, y, down] = half, at = map.latLngToLayerPoint(marker.getLatLng());
    const place = L.bounds(at.add([-x, down - y]), at.add([x, down + y]));
    const crowded = width / pixel < 14 || taken.some((other) => other.overlaps(place));
    box.classList.toggle("crowded", crowded);
    if (!crowded) taken.push(place);
  }
}

const INK = "#1a1a1a";
const MM = 96 / 25.4; // pixels
/* How a kind of thing is drawn: the plan's symbology, in Leaflet's words. */
function styleOf(kind) {
  const { colour, width, dash, fill, marker } = plan.symbology[kind];
  const solid = fill === "solid";
  return { color: colour, weight: width * MM, stroke: width > 0, marker,
    dashArray: dash.map((mm) => mm * MM).join(" "), lineCap: dash.length ? "butt" : "round",
    fill: fill !== "", fillColor: plan.hatches.includes(fill) ? `url(#map-${kind})` : colour,
    fillOpacity: solid ? plan.solid_opacity : 1 };
}

/* Zones of the same colour differ by marks on it. */
const markedFill = (zone, i) => (zone.marks ? `url(#map-zone-${i})` : zone.colour);
const ZONE = (zone, i) => ({ color: INK, weight: 1.5, fillColor: markedFill(zone, i) });

function frostMark(reading) {
  const read = reading.at_reference_c;
  const mark = el("span", {}, read === null ? "?" : signed(read, 1) + "°");
  const icon = L.divIcon({ className: "frost", iconSize: [44, 44], html: mark });
  const marker = L.marker(place(...reading.label), {
    icon, alt: "Frost reading", title: unturned("Frost reading " + reading.name) });
  labels.push({ marker, kind: "frost", half: HALVES.frost() });
  return marker.on("click keypress", (event) => {
    if (event.type === "click" || event.originalEvent.key === "Enter") {
      openAt(marker.getLatLng(), aboutFrost(reading));
    }
  });
}

function digMark(spot) {
  const icon = L.divIcon({ className: "dig", iconSize: [44, 44], html: el("span", {}, spot.spot) });
  const marker = L.marker(place(...spot.label), { icon, alt: "Where to dig",
    title: "Where to dig, spot " + spot.spot });
  return marker.on("click keypress", (event) => {
    if (event.type === "click" || event.originalEvent.key === "Enter") {
      openAt(marker.getLatLng(), [el("h2", {}, "Where to dig: spot " + spot.spot),
        facts([["On the map", spot.map_says], ["Why dig here", spot.why], ["If it differs", spot.if_not]]),
        note("Have buried services located before you dig. Write what you find in dig.csv.")]);
    }
  });
}

function thermometerMark(spot) {
  const icon = L.divIcon({ className: "dig", iconSize: [44, 44], html: el("span", {}, "T" + spot.spot) });
  const marker = L.marker(place(...spot.label), { icon, alt: "Where to put a thermometer",
    title: "Where to put a thermometer, spot " + spot.spot });
  return marker.on("click keypress", (event) => {
    if (event.type === "click" || event.originalEvent.key === "Enter") {
      openAt(marker.getLatLng(), [el("h2", {}, "Where to put a thermometer: spot " + spot.spot),
        facts([["Error of the coldest night here", "± " + spot.error_there_c + " °C"],
          ["Mean error on planted ground", `± ${spot.mean_error_before_c} °C, with this one ± ${spot.mean_error_after_c} °C`]]),
        note("A minimum thermometer, 1.2 m above the ground in the open, shaded from the sky, for one winter.")]);
    }
  });
}

const zoneAreas = plan.zones.map((zone, i) => drawn(zone, "zones", {
  ...ZONE(zone, i), interactive: true }));
const treeLayer = new TreeLayer(plan, { pane: "trees", padding: 0.1 });
const GROUPS = {
  zones: L.layerGroup([...zoneAreas, ...plan.zones.flatMap((zone) =>
    zone.labels.map((at) => label(at, zone.zone, "zone")))]),
  blocks: L.layerGroup(plan.blocks.flatMap((block) => [
    drawn(block, "blocks", styleOf("block")),
    label(block.label, block.block, "block")])),
  trees: treeLayer,
  paddocks: L.layerGroup(plan.paddocks.flatMap((paddock) => [
    drawn(paddock, "paddocks", styleOf("paddock")),
    label(paddock.label, paddock.name + (paddock.trees ? "" : " (no trees)"), "paddock")])),
  no_plant: L.layerGroup(plan.no_plant.map((thing) =>
    drawn(thing, "features", styleOf(thing.kind)))),
  setbacks: L.layerGroup(plan.setbacks.map((ground) =>
    drawn(ground, "setbacks", styleOf("setback")))),
  hollows: L.layerGroup(plan.hollows.map((hollow) =>
    drawn(hollow, "hollows", styleOf("hollow")))),
  frost: L.layerGroup(plan.frost.map(frostMark)),
  dig: L.layerGroup(plan.dig.map(digMark)),
  thermometers: L.layerGroup(plan.thermometers.map(thermometerMark)),
};
const AT_FIRST_OFF = ["dig", "thermometers", "hollows"];
const boundary = L.layerGroup(plan.boundary.map((part) =>
  drawn(part, "paddocks", styleOf("boundary"))));
const EDGES = L.latLngBounds(place(0, 0), place(WIDTH * plan.units, HEIGHT * plan.units));
const HOME = L.latLngBounds(plan.boundary.flatMap((part) => part.shape.areas.map((rings) =>
  L.latLngBounds(line(rings[0])))).flatMap((box) => [box.getSouthWest(), box.getNorthEast()]));

/* Zones are filled from afar; close up, or over a ground layer, they are outlines only. */
function restyle() {
  const close = map.hasLayer(treeLayer) && treeLayer.shown();
  const coloured = showing.picture !== null, open = close || coloured;
  zoneAreas.forEach((group, i) => group.eachLayer((part) => part.setStyle({
    fillOpacity: open ? (coloured ? 0 : 0.12) : 0.55,
    color: close && !coloured ? plan.zones[i].colour : INK, weight: close ? 4 : open ? 2.5 : 1.5 })));
  map.getContainer().classList.toggle("close", close);
  const hint = document.getElementById("hint");
  hint.hidden = close || !plan.trees_total || !map.hasLayer(treeLayer);
  hint.textContent = "Zoom in to see each tree";
  declutter();
}

/* A word to the reader over the map, until it is put away or overtaken. */
function say(text) {
  document.getElementById("said-words").textContent = unturned(text);
  document.getElementById("said").hidden = !text;
}

/* ---- what a tap shows --------------------------------------------------------------- */

const facts = (pairs) => el("dl", {}, pairs.filter((pair) => pair[1] !== "").flatMap(([name, value]) =>
  [el("dt", {}, name), el("dd", {}, value)]));
const chip = (zone) => el("span", { class: `chip ${zone.marks}`, style: { backgroundColor: zone.colour } },
  el("b", {}, zone.zone));
const note = (text) => el("p", { class: "note" }, text);
const mark = (species) => markOf(species.shape, species.colour, 8, INK);
const speciesName = (species) => [mark(species), el("span", {}, species.common_name, " ",
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
  const [at, row] = rowOf(treeLayer.trees, i), block = plan.blocks[at];
  const year = treeLayer.trees.year?.[i], mother = treeLayer.trees.mother?.[i];
  const ask = (about, ...words) => el("button", { class: "row", type: "button",
    onclick: () => openAt(treeLayer.latLng(i), about()) }, words);
  return [el("h2", { class: "species" }, speciesName(species)),
    facts([["Block", block.block], ["Row", String(row)], ["Zone", block.zone],
      ["Paddock", block.paddock], ["Plant in", year === undefined ? "" : yearWords(year)],
      ["Seed from", mother === undefined ? "" : plan.trees.mothers[mother]],
      ["Use", species.roles], ["Caution", species.cautions]]),
    ask(() => aboutBlock(block), "About this block"),
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

let asker = null; // the button that asked for the popup, to give the focus back to
function openAt(latlng, content) {
  const box = el("div", { class: "about", tabindex: "-1" }, content);
  if (phone.matches) showPanel(null);
  const size = map.getSize();
  L.popup({ maxWidth: Math.min(330, size.x - 60), maxHeight: Math.max(160, size.y - 110),
    autoPanPadding: phone.matches ? [12, 12] : [64, 12] }).setLatLng(latlng).setContent(box).openOn(map);
  box.focus({ preventScroll: true });
}
map.on("popupopen popupclose", (event) => {
  document.getElementById("app").classList.toggle("telling", event.type === "popupopen");
});
/* The map's own Escape is deaf while the focus is inside the popup. */
document.addEventListener("keydown", (event) => { if (event.key === "Escape") map.closePopup(); });
map.on("popupclose", () => { if (asker) asker.focus(); asker = null; });

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
const covers = (record, x, y) => (record.shape.areas || []).some((rings) => inArea(rings, x, y));

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
    if (hit) return [latlng, about(hit)];
  }
  return undefined;
}
async function tapped({ latlng }) {
  const [at, sheet] = under(latlng) || [latlng, null];
  const said = await saidOf(at);
  if (said || sheet) openAt(at, [said, said && sheet ? el("hr") : null, sheet]);
}
