/* What colours the ground: a layer, or a picked species; its legend, opacity and the values. */
"use strict";

const ground = plan.species_ground;
const OPACITY = 0.78;
const showing = { picture: null, layer: null, opacity: OPACITY, species: null, view: "suitability", turn: 0 };

const swatches = (rows) => el("ul", { class: "classes" }, rows.map((one) => el("li", {},
  el("span", { class: "swatch", style: { background: one.colour } }), one.title,
  one.percent === undefined ? null : el("small", {}, `\u00a0${one.percent}\u00a0%`))));
const SHARES = "Percentages are shares of the property.";

/* Lay a picture over the ground with its legend; null takes it away. */
function colourGround(url, bounds, legend, look = "") {
  if (showing.picture) showing.picture.remove();
  showing.picture = url && L.imageOverlay(url, bounds,
    { pane: "ground", opacity: showing.opacity, className: look }).addTo(map);
  const box = document.getElementById("legend"), [head, ...rows] = legend;
  box.replaceChildren(...(url ? [el("summary", {}, head), ...rows] : []));
  box.hidden = !url;
  box.open = !phone.matches;
  restyle();
}
/* Show a layer with its legend from the panel; null shows the hillshade alone, and no species. */
function chooseLayer(layer, legend) {
  showing.layer = layer;
  if (!layer) showing.species = null;
  showing.turn++;
  const title = layer && layer.title + (layer.unit ? `, ${layer.unit}` : "");
  colourGround(layer && layer.image, EDGES, layer ? [el("span", { class: "legend-title" }, title), legend] : []);
}

/* ---- a species on the ground -------------------------------------------------------- */

const [G_WEST, G_SOUTH, G_WIDTH, G_HEIGHT] = ground.frame;
const corner = (x, y) => L.Projection.SphericalMercator.unproject(L.point(x, y));
const GROUND_EDGES = L.latLngBounds(corner(G_WEST, G_SOUTH),
  corner(G_WEST + G_WIDTH, G_SOUTH + G_HEIGHT));

/* Codes of a grey picture: {codes, width, height}; read once, when first wanted. A number is the place
   of a picture among those that species share. */
const codeBooks = new Map();
function codesOf(picture) {
  const url = typeof picture === "number" ? ground.pictures[picture] : picture;
  if (!codeBooks.has(url)) codeBooks.set(url, readCodes(url));
  return codeBooks.get(url);
}
async function readCodes(url) {
  const { rgba, width, height } = await pixelsOf(url);
  const codes = new Uint8Array(width * height);
  for (let i = 0; i < codes.length; i++) codes[i] = rgba[4 * i];
  return { codes, width, height };
}
async function pixelsOf(url) {
  const image = new Image();
  image.src = url;
  await image.decode();
  const { width, height } = image, canvas = el("canvas", { width, height });
  const pen = canvas.getContext("2d", { willReadFrequently: true });
  pen.drawImage(image, 0, 0);
  return { rgba: pen.getImageData(0, 0, width, height).data, width, height };
}
/* A picture of the codes in colours: colourOf(code) is "#rrggbb", or null for clear. */
function painted({ codes, width, height }, colourOf) {
  const canvas = el("canvas", { width, height }), pen = canvas.getContext("2d");
  const picture = pen.createImageData(width, height), pixels = new Uint32Array(picture.data.buffer);
  const table = Uint32Array.from({ length: 256 }, (_, code) => {
    const colour = code === 255 ? null : colourOf(code);
    if (!colour) return 0;
    const n = parseInt(colour.slice(1), 16);
    return (0xff000000 | ((n & 255) << 16) | (n & 0xff00) | (n >> 16)) >>> 0;
  });
  for (let i = 0; i < codes.length; i++) pixels[i] = table[codes[i]];
  pen.putImageData(picture, 0, 0);
  return canvas.toDataURL();
}
function codeAt({ codes, width, height }, latlng) {
  const at = L.Projection.SphericalMercator.project(latlng);
  const column = Math.floor(((at.x - G_WEST) / G_WIDTH) * width);
  const row = Math.floor(((G_SOUTH + G_HEIGHT - at.y) / G_HEIGHT) * height);
  return column < 0 || row < 0 || column >= width || row >= height ? 255 : codes[row * width + column];
}

const NOTHING = "#e8e8e8", OTHERS = "#777777";
const bandOf = (score) => ground.bands.find((band) => score >= band.low);
const oddsBand = (percent) => ground.odds.filter((band) => percent >= band.low).pop();
const VIEWS = { suitability: "Suitability", limiting: "What limits it",
  odds: "Odds that frost kills a seedling, in one winter" };
const ODDS_NOTE = "This is an estimate, not a forecast. " + ground.odds_note;
const viewsOf = (place) => Object.keys(VIEWS).filter((view) => ground.species[place][view]);

/* How a view colours its codes, and the rows of its legend. */
function lookOf(view, place, book) {
  if (view === "suitability") {
    return [(code) => bandOf(code).colour, ground.bands.map((band, i) => ({ colour: band.colour,
      title: `${band.words} (${band.fao})`, percent: ground.species[place].percent[i] }))];
  }
  if (view === "odds") {
    return [(code) => oddsBand(code).colour, ground.odds.map((band, i, all) => ({ colour: band.colour,
      title: i + 1 < all.length ? `${band.low} to ${all[i + 1].low} %` : `${band.low} % or more` }))];
  }
  /* The factors that limit most ground get the colours; on the property, not outside. */
  const cells = new Float64Array(256);
  for (const code of book.codes) cells[code]++;
  const common = ground.factors.map((_, i) => i).filter((i) => cells[i]).sort((a, b) => cells[b] - cells[a]);
  const colours = new Map(common.map((i, turn) => [i, ground.kinds[turn] || OTHERS]));
  const rows = common.slice(0, ground.kinds.length).map((i) =>
    ({ colour: colours.get(i), title: ground.factors[i].title }));
  if (common.length > ground.kinds.length) rows.push({ colour: OTHERS, title: "something else" });
  return [(code) => colours.get(code) || null, rows];
}

/* Colour the ground by one species; a later choice overtakes one that is still being read. */
async function chooseSpecies(place, view) {
  const turn = ++showing.turn, one = ground.species[place], species = plan.species[place];
  const shown = one[view] ? view : "suitability";
  const book = await codesOf(one[shown]);
  const scored = shown === "limiting" ? await codesOf(one.suitability) : null;
  if (turn !== showing.turn) return;
  Object.assign(showing, { layer: null, species: place, view: shown });
  const [colourOf, rows] = lookOf(shown, place, book);
  let codes = book;
  if (scored) { // where nothing limits it, but the ground was scored
    rows.push({ colour: NOTHING, title: "nothing" });
    codes = { ...book, codes: book.codes.map((code, i) => (code === 255 && scored.codes[i] !== 255 ? 254 : code)) };
  }
  const url = painted(codes, (code) => (scored && code === 254 ? NOTHING : colourOf(code)));
  colourGround(url, GROUND_EDGES, [el("span", { class: "legend-title" }, species.common_name, " ",
    el("i", {}, species.botanical_name)), el("p", { class: "legend-view" }, VIEWS[shown]),
  swatches(rows), note(shown === "odds" ? ODDS_NOTE : `${shown === "suitability" ? `${SHARES} ` : ""}Tap the ground to see why.`)], "crisp");
}

/* How the chosen species would do at a spot, in words; null off the property or with none. */
async function saidOf(latlng) {
  const place = showing.species;
  if (place === null) return null;
  const one = ground.species[place];
  const score = codeAt(await codesOf(one.suitability), latlng);
  if (score === 255) return null;
  const band = bandOf(score);
  const pairs = [["Suitability", `${band.words} (${score} of 100)`]];
  const worst = one.limiting ? codeAt(await codesOf(one.limiting), latlng) : 255;
  if (worst < ground.factors.length) {
    const factor = ground.factors[worst];
    const value = factor.image ? codeAt(await codesOf(factor.image), latlng) : 255;
    pairs.push(["Limited by", factor.title]);
    if (value !== 255) pairs.push(["Value here", valueOf(factor, value)]);
    if (value !== 255 && factor.colder) pairs.push(["1 winter in 5", valueOf(factor, value, factor.colder)]);
    pairs.push(["This species", one.wants[worst]]);
  } else if (one.limiting) pairs.push(["Limited by", "no factor that was scored"]);
  const odds = one.odds ? codeAt(await codesOf(one.odds), latlng) : 255;
  if (odds !== 255) {
    pairs.push(["Frost kills a seedling", ground.odds_said[one.odds_kind][odds]]);
  }
  return [el("h3", { class: "species" }, speciesName(plan.species[place])), facts(pairs)];
}
function valueOf(factor, code, less = 0) {
  if (factor.classes) return factor.classes[code];
  const value = factor.low + (code / 250) * (factor.high - factor.low) - less;
  const span = factor.high - factor.low;
  return "about " + signed(value, span > 30 ? 0 : span > 3 ? 1 : 2) + (factor.unit ? ` ${factor.unit}` : "");
}

/* ---- the value of the layer that is shown ---------------------------------------------------- */

/* What the layer that is shown is at a spot, in words; null where none is shown or nothing known. */
async function valueAt(latlng) {
  const { layer } = showing;
  if (!layer) return null;
  const { rgba, width, height } = await pixelsOf(layer.image);
  const [x, y] = pageUnits(latlng).map((units) => units / plan.units);
  const column = Math.floor((x / WIDTH) * width), row = Math.floor((1 - y / HEIGHT) * height);
  const inside = column >= 0 && row >= 0 && column < width && row < height;
  const at = 4 * (row * width + column);
  const colour = inside && rgba[at + 3] ? [0, 1, 2].map((k) => rgba[at + k].toString(16).padStart(2, "0")).join("") : "";
  const step = layer.tints.indexOf(`#${colour}`);
  return [el("h3", {}, layer.title), facts([["Value here", step < 0 ? "not known" : stepWords(layer, step)]])];
}
/* A step of a layer's colours as its value: the middle of the step, or that it lies beyond an end. */
function stepWords(layer, step) {
  if (layer.titles) return layer.titles[step];
  const span = layer.high - layer.low, unit = layer.unit ? ` ${layer.unit}` : "";
  const digits = span > 30 ? 0 : span > 3 ? 1 : 2, last = layer.tints.length - 1;
  if (layer.beyond && step === 0) return `${signed(layer.low, digits)}${unit} or less`;
  if (layer.beyond && step === last) return `${signed(layer.high, digits)}${unit} or more`;
  return `about ${signed(layer.low + ((step + 0.5) / (last + 1)) * span, digits)}${unit}`;
}
