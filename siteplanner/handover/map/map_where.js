/* Where am I: only when asked, only where the page may, and in clear words when it may not. */
"use strict";

const here = L.layerGroup();
const REFUSED = "If the phone cannot tell, use the handheld files (trees.gpx, trees.kml) and the row pegs.";

function whereAmI() {
  if (!window.isSecureContext) {
    return say("This page may not ask for your place: it was opened over an unprotected link. Save the " +
      "file and open it from the phone. " + REFUSED, true);
  }
  if (!navigator.geolocation) return say("This browser cannot tell where you are. " + REFUSED, true);
  say("Looking for your place …");
  return navigator.geolocation.getCurrentPosition(found, notFound,
    { enableHighAccuracy: true, timeout: 20000, maximumAge: 5000 });
}
function notFound(error) {
  here.clearLayers();
  const why = { 1: "This page may not use your place: location is switched off for it in the browser or phone.",
    2: "Your place cannot be told just now: no signal from satellites.",
    3: "Your place was not told in 20 seconds. Try again under open sky." }[error.code];
  say(`${why} ${REFUSED}`, true);
}
function found({ coords }) {
  const at = L.latLng(coords.latitude, coords.longitude), metres = Math.max(1, Math.round(coords.accuracy));
  here.clearLayers();
  const far = HOME.contains(at) ? 0 : at.distanceTo(L.latLng(
    Math.min(Math.max(at.lat, HOME.getSouth()), HOME.getNorth()),
    Math.min(Math.max(at.lng, HOME.getWest()), HOME.getEast())));
  if (far > 2000) return say(`You are about ${(far / 1000).toFixed(0)} km from this property.`, true);
  here.addTo(map);
  L.circle(at, { radius: metres, color: "#005a8c", weight: 2, fillOpacity: 0.12, interactive: false,
    pane: "place" }).addTo(here);
  L.circleMarker(at, { radius: 8, color: "#fff", weight: 3, fillColor: "#005a8c", fillOpacity: 1,
    interactive: false, pane: "place" }).addTo(here);
  map.setView(at, Math.max(map.getZoom(), 17), { animate: false });
  const block = blockAt(at);
  return say(`You are here, give or take ${metres} m` + (block ? `: block ${block.block}, ${block.paddock}. `
    : ", in no block. ") + "Find trees by row pegs, bearing and paces, not by this dot.", true);
}
function pageUnits(latlng) {
  const at = L.Projection.SphericalMercator.project(latlng);
  return [(at.x - WEST) * plan.units, (at.y - SOUTH) * plan.units];
}
const blockAt = (latlng) => plan.blocks.find((block) => covers(block, ...pageUnits(latlng)));
