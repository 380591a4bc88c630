/* Where am I: only when asked, only where the browser allows it, and in clear words when not. */
"use strict";

const here = L.layerGroup();
const position = { watch: null, where: undefined, button: null, shown: false };
const INSTEAD = "To find a row without it, use the handheld files (trees.gpx, trees.kml) and the row pegs.";
const TREE_PIXELS = 16; // between neighbouring trees, where one's own are to be told

/* Follow the phone until the button is used again. */
function followMe() {
  if (position.watch !== null) return stopFollowing("");
  if (!window.isSecureContext) {
    return say("Location is blocked, because this page was opened over an unencrypted link. Save the file to " +
      "the phone and open it from there. " + INSTEAD);
  }
  if (!navigator.geolocation) return say("This browser cannot show your location. " + INSTEAD);
  say("Finding your location …");
  position.shown = false;
  position.watch = navigator.geolocation.watchPosition(found, notFound,
    { enableHighAccuracy: true, timeout: 20000, maximumAge: 5000 });
  return position.button.setAttribute("aria-pressed", "true");
}
function stopFollowing(words) {
  if (position.watch !== null) navigator.geolocation.clearWatch(position.watch);
  position.watch = null;
  position.button.setAttribute("aria-pressed", "false");
  here.clearLayers();
  say(words);
}
function notFound(error) {
  const blocked = window.top === window ? "Allow it in the settings of the browser or phone."
    : "This map is shown inside another page: open map.html by itself, and allow it there.";
  const why = { 1: `Location is blocked for this page. ${blocked}`,
    2: "There is no satellite signal, so your location is not known just now.",
    3: "The phone has found no location for 20 seconds. Go out under open sky." }[error.code];
  if (error.code === 1) return stopFollowing(`${why} ${INSTEAD}`);
  here.clearLayers(); // the signal may come back: it is waited for
  position.where = undefined;
  return say(`${why} ${INSTEAD}`);
}
function found({ coords }) {
  if (position.watch === null) return undefined;
  const at = L.latLng(coords.latitude, coords.longitude), metres = Math.max(1, Math.round(coords.accuracy));
  here.clearLayers();
  const far = HOME.contains(at) ? 0 : at.distanceTo(L.latLng(
    Math.min(Math.max(at.lat, HOME.getSouth()), HOME.getNorth()),
    Math.min(Math.max(at.lng, HOME.getWest()), HOME.getEast())));
  if (far > 2000) return stopFollowing(`You are about ${(far / 1000).toFixed(0)} km from this property.`);
  here.addTo(map);
  L.circle(at, { radius: metres, color: "#005a8c", weight: 2, fillOpacity: 0.12, interactive: false,
    pane: "place" }).addTo(here);
  L.circleMarker(at, { radius: 8, color: "#fff", weight: 3, fillColor: "#005a8c", fillOpacity: 1,
    interactive: false, pane: "place" }).addTo(here);
  if (!position.shown) landAt(at);
  position.shown = true;
  const where = whereWords(at, metres);
  const news = where.key !== position.where; // said aloud again only where something has changed
  position.where = where.key;
  const aloud = document.getElementById("aloud").textContent;
  return say(`You are here, give or take ${metres} m${where.words} Find trees by row pegs, bearing and paces, ` +
    "not by this dot.", news ? `You are here${where.words}` : aloud);
}
/* Show a place in the middle of the free part, at the scale of trees. */
function landAt(at) {
  closeCard();
  if (phone.matches) showPanel(null);
  const zoom = map.getZoom() + Math.log2(TREE_PIXELS / treeLayer.pixelsApart());
  const trees = Math.ceil(zoom / map.options.zoomSnap) * map.options.zoomSnap;
  map.setView(at, Math.min(Math.max(map.getZoom(), trees), map.getMaxZoom()), { animate: false });
}
/* Block, row and tree one stands at, in words; `key` changes with block and row. */
function whereWords(at, metres) {
  const block = blockAt(at);
  if (!block) return { key: "", words: ", in no block." };
  const { trees } = treeLayer, rows = trees.ofBlock[plan.blocks.indexOf(block)], name = `: block ${block.block}, ${block.paddock}`;
  if (!rows.length) return { key: block.block, words: `${name}.` };
  const i = treeLayer.nearest(at, Infinity, firstOf(trees, rows[0]), trees.ends[rows.at(-1)]);
  const k = placeOfRow(trees, i), row = nameOf(trees.rows[k]), away = Math.round(at.distanceTo(treeLayer.latLng(i)));
  const species = plan.species[trees.species[i]].common_name;
  const sure = metres > zoneOf(block).spacing_m ? "; it may be a row or tree beside it" : "";
  return { key: `${block.block} ${row}`, words: `${name}. Nearest: row ${row}, tree ${i - firstOf(trees, k) + 1} ` +
    `(${species}), ${away} m away${sure}.` };
}
function pageUnits(latlng) {
  const at = L.Projection.SphericalMercator.project(latlng);
  return [(at.x - WEST) * plan.units, (at.y - SOUTH) * plan.units];
}
const blockAt = (latlng) => plan.blocks.find((block) => covers(block, ...pageUnits(latlng)));
