/* The panels beside the map (zones, key, cautions; others in their own files), and the start. */
"use strict";

function zonesPanel() {
  const all = plan.species.map((_, species) => plan.zones.flatMap((zone) => zone.counts)
    .filter((row) => row.species === species)
    .reduce((sum, row) => ({ species, trees: sum.trees + row.trees, order: sum.order + row.order }),
      { species, trees: 0, order: 0 })).filter((row) => row.trees).sort((a, b) => b.trees - a.trees);
  const button = (zone, i) => el("button", { class: "row", type: "button", onclick: (event) =>
    goTo(zoneAreas[i].getLayers(), place(...zone.labels[0]), aboutZone(zone), event) },
  chip(zone), el("span", {}, zone.title, el("small", {},
    area(zone.area_ha) + (zone.trees ? ` · ${count(zone.trees)} trees · ${zone.spacing_m} m apart`
      : " · no trees"))));
  return [el("ul", { class: "zones" }, plan.zones.map((zone, i) => el("li", {}, button(zone, i)))),
    speciesTable(all, "All zones together", ["trees", "order"]), note(LOSSES)];
}

function keyPanel() {
  const swatch = (style) => el("span", { class: "swatch", style });
  const rows = { zones: ["Zones, by letter", swatch({ background: plan.zones[0]?.colour })],
    trees: ["Trees", plan.species[0] ? mark(plan.species[0]) : ""],
    blocks: ["Blocks", swatch({ border: "2px solid #1a1a1a" })],
    paddocks: ["Paddocks, by name", swatch({ border: "2px dashed #1a1a1a" })],
    no_plant: ["Not planted: lines, buildings, bush, water", swatch({ background: "#555" })],
    setbacks: ["Setbacks, kept clear", el("span", { class: "swatch hatched" })],
    frost: [`Frost readings, °C at ${heightWords}`, el("span", { class: "swatch frost-key" }, "°")] };
  if (plan.dig.length) rows.dig = ["Where to dig, by number", el("span", { class: "swatch dig-key" }, "1")];
  if (plan.thermometers.length) rows.thermometers = ["Where to put a thermometer", el("span", { class: "swatch dig-key" }, "T1")];
  const toggle = (name) => el("label", { class: "row" }, el("input", { type: "checkbox", checked: !AT_FIRST_OFF.includes(name),
    "data-group": name, onchange(event) {
      if (event.target.checked) GROUPS[name].addTo(map); else GROUPS[name].remove();
      restyle();
    } }), rows[name][1], rows[name][0]);
  const line = (kind) => {
    const { color, weight, dashArray = "", fillColor = "none" } = featureStyle(kind);
    const stroke = { stroke: color, "stroke-width": weight, "stroke-dasharray": dashArray, fill: fillColor };
    const svg = L.SVG.create("svg"), path = L.SVG.create("path");
    path.setAttribute("d", fillColor === "none" ? "M0 10H40" : "M2 3H38V17H2Z");
    for (const [name, value] of Object.entries(stroke)) path.setAttribute(name, value);
    svg.setAttribute("class", "line");
    svg.append(path);
    return el("li", {}, svg, titled(kind));
  };
  const kinds = ["boundary", ...new Set(plan.no_plant.map((thing) => thing.kind))];
  return [el("h2", {}, "Show"), Object.keys(rows).map(toggle), el("h2", {}, "Species"),
    el("ul", { class: "key" }, plan.species.filter((one) => one.trees).map((one) =>
      el("li", { class: "species" }, speciesName(one)))),
    el("h2", {}, "Lines and areas"), el("ul", { class: "key" }, kinds.map(line)), note(CODES)];
}

function cautionsPanel() {
  const list = (title, sentences) => (sentences.length ? [el("h2", {}, title),
    el("ul", { class: "sentences" }, sentences.map((sentence) => el("li", {}, sentence)))] : []);
  const careful = plan.species.filter((one) => one.trees && one.cautions);
  return [...list("Cautions", plan.cautions), ...list("Warnings on this plan", plan.warnings),
    ...list("Species to take care with", careful.map((one) => `${one.common_name}: ${one.cautions}`)),
    ...list("How sure", [SURE + " They come from the ground's shape and a few readings; they are not a forecast.",
      "Counts are what the layout holds on the map. " + LOSSES,
      "Places are as good as the data behind them: check on the ground before digging or planting."]),
    note("Drawn with Leaflet. The page needs no network.")];
}

const PANELS = { Zones: zonesPanel, Blocks: blocksPanel, Layers: layersPanel, Key: keyPanel,
  Cautions: cautionsPanel };
let open = null;

/* Show one panel; on a phone, the same tab again (or null) puts the sheet away. */
function showPanel(name) {
  open = name;
  for (const title of Object.keys(PANELS)) {
    document.getElementById("tab-" + title).setAttribute("aria-expanded", String(title === open));
    document.getElementById("panel-" + title).hidden = title !== open;
  }
  document.getElementById("panel").hidden = open === null;
  if (open !== null && phone.matches) { asker = null; map.closePopup(); }
}

function start() {
  document.querySelector("#head h1").textContent = unturned(plan.name);
  document.getElementById("total").textContent =
    `${count(plan.trees_total)} trees · ${area(plan.area_ha)} · ${plan.zones.filter((zone) => zone.trees).length} zones`;
  for (const [title, make] of Object.entries(PANELS)) {
    document.getElementById("tabs").append(el("button", { type: "button", id: "tab-" + title,
      "aria-controls": "panel-" + title,
      onclick: () => showPanel(open === title && phone.matches ? null : title) }, title));
    document.getElementById("panel").append(el("section", { id: "panel-" + title,
      "aria-labelledby": "tab-" + title }, make()));
  }
  showPanel(phone.matches ? null : "Zones");
  phone.addEventListener("change", () => showPanel(phone.matches ? null : open || "Zones"));
  const button = (words, title, onclick) => el("div", { class: "leaflet-bar" }, el("button", {
    type: "button", class: "home", title, "aria-label": title, onclick }, words));
  const Buttons = L.Control.extend({ options: { position: "topleft" }, onAdd() {
    const made = el("div", { class: "buttons" },
      button("All", "Show the whole property", () => map.fitBounds(HOME)),
      button("Me", "Where am I?", whereAmI));
    L.DomEvent.disableClickPropagation(made);
    return made;
  } });
  new Buttons().addTo(map);
  document.getElementById("said-close").addEventListener("click", () => { say(""); here.clearLayers(); });
  L.control.scale({ imperial: false, maxWidth: 140 }).addTo(map);
  map.getContainer().setAttribute("aria-label", "Map; arrow keys move it, plus and minus zoom");
  L.imageOverlay(document.getElementById("relief").getAttribute("href"), EDGES, { pane: "relief" }).addTo(map);
  map.invalidateSize(false);
  map.fitBounds(HOME, { animate: false, padding: [8, 8] });
  map.setMinZoom(map.getZoom() - 1.5).setMaxBounds(EDGES.pad(0.6));
  labels.sort((a, b) => RANKS.indexOf(a.kind) - RANKS.indexOf(b.kind) || (b.width || 0) - (a.width || 0));
  const shown = Object.keys(GROUPS).filter((name) => !AT_FIRST_OFF.includes(name));
  [boundary, ...shown.map((name) => GROUPS[name]), plantedMarks].forEach((group) => group.addTo(map));
  showTicks();
  map.on("zoomend", restyle).on("click", tapped);
  restyle();
  document.documentElement.dataset.ready = "yes";
}
start();
