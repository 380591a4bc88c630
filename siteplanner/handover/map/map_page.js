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

const PANES = ["relief", "ground", "setbacks", "zones", "contours", "blocks", "hollows", "paddocks", "features", "picked",
  "trees", "place"];
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
      icon: L.divIcon({ className: "thing", iconSize: [0, 0], html: markOf(shapeOf(style.marker, style.color), 1.5 * MM) }) })),
  ]);
}

/* A small picture of marks that lie on each other, with a radius in pixels. */
function markOf(marks, radius) {
  const made = (tag, attributes) => {
    const one = L.SVG.create(tag);
    for (const [name, value] of Object.entries(attributes)) one.setAttribute(name, value);
    return one;
  };
  const side = 2.8 * radius, svg = made("svg", { class: "mark", viewBox: "-1.4 -1.4 2.8 2.8", width: side,
    height: side, "aria-hidden": "true" });
  svg.append(...marks.map(({ path, fill, edge, line: width }) =>
    made("path", { d: path, fill, stroke: edge, "stroke-width": width })));
  return svg;
}
/* A marker shape of `plan.markers` in a colour, on a white rim. */
function shapeOf(shape, colour) {
  const corners = plan.markers[shape];
  return [{ fill: colour, edge: "#fff", line: 0.16, path: corners.length ?
    `M${corners.map(([x, y]) => `${x} ${-y}`).join("L")}Z` : "M-1 0a1 1 0 1 0 2 0a1 1 0 1 0-2 0" }];
}
const labels = []; // in order of importance; see declutter
function label(at, text, kind) {
  const icon = L.divIcon({ className: "label " + kind, iconSize: null, html: el("span", {}, text) });
  const marker = L.marker(place(...at), { icon, interactive: false, keyboard: false });
  labels.push({ marker, kind, width: at[2], half: HALVES[kind](text.length) });
  return marker;
}
const RANKS = ["zone", "frost", "block", "paddock", "contour"];
/* Half width, half height and shift down of a label's text, pixels. */
const HALVES = {
  zone: (n) => [9 * n, 10, 0], block: (n) => [5 * n + 6, 12, 12],
  paddock: (n) => [3.6 * n, 9, 0], contour: (n) => [3.4 * n, 8, 0],
};

/* Hide the text of labels that would lie on one of more importance, or fill their area. Readings
   are never hidden: one that finds no room is counted at the nearest that did. */
function declutter() {
  const close = map.getContainer().classList.contains("close"), bars = underBars(), taken = [...bars], readings = [];
  const pixel = plan.units * 2 * Math.PI * 6378137 / map.options.crs.scale(map.getZoom());
  for (const one of labels) {
    const { marker, kind, width, half } = one, box = marker.getElement();
    if (!box || (close ? kind === "zone" || kind === "paddock" : kind === "block")) continue;
    const at = map.latLngToLayerPoint(marker.getLatLng());
    if (kind === "frost") {
      placeReading(one, at, taken, readings, bars);
      continue;
    }
    const [x, y, down] = half, place = L.bounds(at.add([-x, down - y]), at.add([x, down + y]));
    const crowded = width / pixel < 14 || taken.some((other) => other.overlaps(place));
    box.classList.toggle("crowded", crowded);
    if (!crowded) taken.push(place);
  }
  for (const one of readings) one.words.textContent = readingWords(one);
}
/* Ground that the buttons and the arrow to north cover, in the map's own pixels. */
function underBars() {
  const stage = map.getContainer().getBoundingClientRect();
  return [...document.querySelectorAll(".buttons .leaflet-bar, #north")].map((one) => {
    const box = one.getBoundingClientRect();
    return L.bounds([[box.left, box.top], [box.right, box.bottom]].map(([x, y]) =>
      map.containerPointToLayerPoint([x - stage.left, y - stage.top])));
  });
}
/* Put a reading's words above, under or beside its dot, or count it at the nearest one that has words. */
function placeReading(one, at, taken, readings, bars) {
  one.more = [];
  const half = [8 + 4 * readingWords(one).length, 13];
  const spots = [[0, -1], [0, 1], [1, 0], [-1, 0]];
  const offset = ([x, y]) => [x * (half[0] + 8), y * (half[1] + 7)];
  const boxOf = (spot, [x, y] = offset(spot)) => L.bounds(at.add([x - half[0], y - half[1]]), at.add([x + half[0], y + half[1]]));
  let spot = spots.find((where) => !taken.some((other) => other.overlaps(boxOf(where))));
  /* A zone's letter is less than a reading: it gives way where there is no other room. */
  const kept = [...bars, ...readings.map((other) => other.box)];
  if (!spot) spot = spots.find((where) => !kept.some((other) => other.overlaps(boxOf(where))));
  if (!spot && !readings.length) [spot] = spots;
  one.words.hidden = !spot;
  if (!spot) {
    readings.reduce((a, b) => (a.at.distanceTo(at) <= b.at.distanceTo(at) ? a : b)).more.push(one.reading);
    return;
  }
  Object.assign(one, { at, box: boxOf(spot) });
  one.words.style.transform = `translate(${50 * spot[0] - 50}%, ${50 * spot[1] - 50}%) ` +
    `translate(${8 * spot[0]}px, ${7 * spot[1]}px)`;
  for (const zone of labels) {
    const letter = zone.kind === "zone" && zone.marker.getElement();
    if (letter && one.box.contains(map.latLngToLayerPoint(zone.marker.getLatLng()))) letter.classList.add("crowded");
  }
  taken.push(one.box);
  readings.push(one);
}
const readingWords = ({ reading, more }) => (reading.at_reference_c === null ? "not known"
  : celsius(reading.at_reference_c)) + (more.length ? ` +${more.length}` : "");

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

/* A mark that can be tapped, or chosen with the Enter key; `about` gives its card. */
function spotMark(spot, className, html, title, about) {
  const icon = L.divIcon({ className, iconSize: [44, 44], html });
  const marker = L.marker(place(...spot.label), { icon, alt: title, title: unturned(title) });
  return marker.on("click keypress", (event) => {
    if (event.type === "click" || event.originalEvent.key === "Enter") openAt(marker.getLatLng(), about());
  });
}
function frostMark(reading) {
  const words = el("span"), one = { kind: "frost", reading, words, more: [] };
  words.textContent = readingWords(one);
  one.marker = spotMark(reading, "frost", words, "Frost reading " + reading.name,
    () => [reading, ...one.more].map(aboutFrost));
  labels.push(one);
  return one.marker;
}
const digMark = (spot) => spotMark(spot, "dig", el("span", {}, spot.spot), "Where to dig, spot " + spot.spot, () =>
  [el("h2", {}, "Where to dig: spot " + spot.spot),
    facts([["On the map", spot.map_says], ["Why dig here", spot.why], ["If it differs", spot.if_not]]),
    note("Have buried services located before you dig. Write what you find in dig.csv.")]);
const thermometerMark = (spot) => spotMark(spot, "dig", el("span", {}, "T" + spot.spot),
  "Where to put a thermometer, spot " + spot.spot, () =>
    [el("h2", {}, "Where to put a thermometer: spot " + spot.spot),
      facts([["Error of the coldest night here", "± " + spot.error_there_c + " °C"],
        ["Mean error on planted ground", `± ${spot.mean_error_before_c} °C, with this one ± ${spot.mean_error_after_c} °C`]]),
      note("A minimum thermometer, 1.2 m above the ground in the open, shaded from the sky, for one winter.")]);

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
  contours: L.layerGroup(plan.contours.flatMap((line) => [
    drawn(line, "contours", styleOf("contour")),
    label(line.label, `${line.height_m} m`, "contour")])),
  hollows: L.layerGroup(plan.hollows.map((hollow) =>
    drawn(hollow, "hollows", styleOf("hollow")))),
  frost: L.layerGroup(plan.frost.map(frostMark)),
  dig: L.layerGroup(plan.dig.map(digMark)),
  thermometers: L.layerGroup(plan.thermometers.map(thermometerMark)),
};
const AT_FIRST_OFF = ["dig", "thermometers", "hollows", "contours"];
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
    fillOpacity: open ? (coloured ? 0 : 0.12) : plan.zone_opacity,
    color: close && !coloured ? plan.zones[i].colour : INK, weight: close ? 4 : open ? 2.5 : 1.5 })));
  map.getContainer().classList.toggle("close", close);
  const hint = document.getElementById("hint");
  hint.hidden = close || !plan.trees_total || !map.hasLayer(treeLayer);
  hint.textContent = "Zoom in to see each tree";
  declutter();
}

/* A word to the reader over the map, until it is put away or overtaken; said aloud too. The region
   that is read out is always there: one that appears with its words may not be. */
function say(text, aloud = text) {
  document.getElementById("said-words").textContent = unturned(text);
  document.getElementById("said").hidden = !text;
  document.getElementById("aloud").textContent = unturned(aloud);
}
