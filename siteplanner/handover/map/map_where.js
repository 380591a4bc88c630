/* Where am I: only when asked, only where the browser allows it, and in clear words when not. */
"use strict";

const here = L.layerGroup();
const INSTEAD = "To find a row without it, use the handheld files (trees.gpx, trees.kml) and the row pegs.";

function whereAmI() {
  if (!window.isSecureContext) {
    return say("Location is blocked, because this page was opened over an unencrypted link. Save the file to " +
      "the phone and open it from there. " + INSTEAD);
  }
  if (!navigator.geolocation) return say("This browser cannot show your location. " + INSTEAD);
  say("Finding your location …");
  return navigator.geolocation.getCurrentPosition(found, notFound,
    { enableHighAccuracy: true, timeout: 20000, maximumAge: 5000 });
}
function notFound(error) {
  here.clearLayers();
  const why = { 1: "Location is blocked for this page. Allow it in the settings of the browser or phone.",
    2: "There is no satellite signal, so your location is not known just now.",
    3: "The phone found no location in 20 seconds. Try again under open sky." }[error.code];
  say(`${why} ${INSTEAD}`);
}
function found({ coords }) {
  const at = L.latLng(coords.latitude, coords.longitude), metres = Math.max(1, Math.round(coords.accuracy));
  here.clearLayers();
  const far = HOME.contains(at) ? 0 : at.distanceTo(L.latLng(
    Math.min(Math.max(at.lat, HOME.getSouth()), HOME.getNorth()),
    Math.min(Math.max(at.lng, HOME.getWest()), HOME.getEast())));
  if (far > 2000) return say(`You are about ${(far / 1000).toFixed(0)} km from this property.`);
  here.addTo(map);
  L.circle(at, { radius: metres, color: "#005a8c", weight: 2, fillOpacity: 0.12, interactive: false,
    pane: "place" }).addTo(here);
  L.circleMarker(at, { radius: 8, color: "#fff", weight: 3, fillColor: "#005a8c", fillOpacity: 1,
    interactive: false, pane: "place" }).addTo(here);
  map.setView(at, Math.max(map.getZoom(), 17), { animate: false });
  const block = blockAt(at);
  return say(`You are here, give or take ${metres} m` + (block ? `: block ${block.block}, ${block.paddock}. `
    : ", in no block. ") + "Find trees by row pegs, bearing and paces, not by this dot.");
}
function pageUnits(latlng) {
  const at = L.Projection.SphericalMercator.project(latlng);
  return [(at.x - WEST) * plan.units, (at.y - SOUTH) * plan.units];
}
const blockAt = (latlng) => plan.blocks.find((block) => covers(block, ...pageUnits(latlng)));
