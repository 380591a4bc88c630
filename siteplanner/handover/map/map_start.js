/* The tabs of the panels, the buttons on the map, and the start. */
"use strict";

const PANELS = [...document.querySelectorAll("#panel > section")];
const tabOf = (panel) => document.getElementById(panel.getAttribute("aria-labelledby"));
let open = null;

/* Show one panel; on a phone, the same tab again (or null) puts the sheet away. */
function showPanel(panel) {
  open = panel;
  for (const one of PANELS) {
    tabOf(one).setAttribute("aria-expanded", String(one === open));
    one.hidden = one !== open;
  }
  document.getElementById("panel").hidden = open === null;
  if (open !== null && phone.matches) { asker = null; map.closePopup(); }
}

function addButtons() {
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
  L.control.scale({ imperial: false, maxWidth: 140 }).addTo(map);
  document.getElementById("said-close").addEventListener("click", () => { say(""); here.clearLayers(); });
}

function start() {
  for (const panel of PANELS) {
    tabOf(panel).addEventListener("click", () => showPanel(open === panel && phone.matches ? null : panel));
  }
  showPanel(phone.matches ? null : PANELS[0]);
  phone.addEventListener("change", () => showPanel(phone.matches ? null : open || PANELS[0]));
  addButtons();
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
