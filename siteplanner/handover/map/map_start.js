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
  if (open !== null && phone.matches) { asker = null; closeCard(); }
}

/* A ring with cross hairs, by which phones mark where one stands. */
function positionSign() {
  const svg = L.SVG.create("svg"), path = L.SVG.create("path");
  for (const [name, value] of Object.entries({ viewBox: "0 0 24 24", width: 24, height: 24, "aria-hidden": "true" })) {
    svg.setAttribute(name, value);
  }
  for (const [name, value] of Object.entries({ fill: "none", stroke: "currentColor", "stroke-width": 2.4,
    d: "M12 5a7 7 0 1 0 0 14a7 7 0 1 0 0-14ZM12 1V7M12 17V23M1 12H7M17 12H23" })) path.setAttribute(name, value);
  svg.append(path);
  return svg;
}
function addButtons() {
  const button = (words, onclick, attributes) => el("div", { class: "leaflet-bar" },
    el("button", { type: "button", class: "home", onclick, ...attributes }, words));
  const Buttons = L.Control.extend({ options: { position: "topleft" }, onAdd() {
    const made = el("div", { class: "buttons" },
      button(el("span", {}, "Whole property"), () => { closeCard(); pick(null); map.fitBounds(HOME, free(8)); }),
      button([positionSign(), el("span", {}, "My position")], followMe, { id: "my-position", "aria-pressed": "false" }));
    made.prepend(map.zoomControl.getContainer());
    L.DomEvent.disableClickPropagation(made);
    return made;
  } });
  new Buttons().addTo(map);
  position.button = document.getElementById("my-position");
  L.control.scale({ imperial: false, maxWidth: 140 }).addTo(map);
  document.getElementById("said-close").addEventListener("click", () => stopFollowing(""));
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
  map.fitBounds(HOME, free(8));
  map.setMinZoom(map.getZoom() - 1.5).setMaxBounds(EDGES.pad(0.6));
  labels.sort((a, b) => RANKS.indexOf(a.kind) - RANKS.indexOf(b.kind) || (b.width || 0) - (a.width || 0));
  const shown = Object.keys(GROUPS).filter((name) => !AT_FIRST_OFF.includes(name));
  [boundary, ...shown.map((name) => GROUPS[name]), plantedMarks, picked.shapes, pin].forEach((group) => group.addTo(map));
  showTicks();
  map.on("zoomend", restyle).on("moveend", declutter).on("click", tapped);
  restyle();
  document.documentElement.dataset.ready = "yes";
}
start();
