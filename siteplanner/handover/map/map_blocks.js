/* Blocks: their sheets, and the ticks of what is planted. */
"use strict";

/* ---- ticks, saved in this browser where it lets the page ------------------------------- */

const SHELF = `siteplanner-planted-${plan.identity}`;
const ticks = new Map(); // block -> {on, trees, note}
let saved = true;
try {
  const raw = JSON.parse(localStorage.getItem(SHELF) || "{}");
  for (const block of plan.blocks) {
    const tick = raw[block.block];
    if (tick && typeof tick === "object") {
      ticks.set(block.block, { on: String(tick.on || ""), trees: Number(tick.trees) || 0, note: String(tick.note || "") });
    }
  }
} catch { saved = false; }

function today() {
  const now = new Date(), two = (n) => String(n).padStart(2, "0");
  return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
}
function tick(block, changes) {
  if (changes === null) ticks.delete(block.block);
  else {
    const before = ticks.get(block.block) || { on: today(), trees: block.trees, note: "" };
    ticks.set(block.block, { ...before, ...changes });
  }
  try { localStorage.setItem(SHELF, JSON.stringify(Object.fromEntries(ticks))); } catch { saved = false; }
  showTicks();
}

/* One cell of a CSV; text that a spreadsheet would take for a formula gets an apostrophe. */
function cell(value) {
  let text = String(value).replace(/[\r\n\t]+/g, " ");
  if (plan.formula_starts.includes(text.replace(/^'+/, "")[0])) text = "'" + text;
  return /[",]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}
function ticksAsCsv() {
  const rows = plan.blocks.filter((block) => ticks.has(block.block)).map((block) => {
    const { on, trees, note: text } = ticks.get(block.block);
    return [block.block, on, trees, text].map(cell).join(",");
  });
  return ["block,planted_on,trees,note", ...rows, ""].join("\r\n");
}
function saveTicks() {
  const file = new Blob(["\ufeff", ticksAsCsv()], { type: "text/csv" });
  const link = el("a", { href: URL.createObjectURL(file), download: "planted.csv" });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  document.getElementById("ticks-text").value = ticksAsCsv();
  document.getElementById("ticks-copy").hidden = false;
}

const plantedMarks = L.layerGroup();
function showTicks() {
  plantedMarks.clearLayers();
  for (const block of plan.blocks.filter((one) => ticks.has(one.block))) {
    drawn(block, "blocks", { color: INK, weight: 3, fillColor: "#fff", fillOpacity: 0.45 }).addTo(plantedMarks);
    const icon = L.divIcon({ className: "label ticked", iconSize: null, html: el("span", {}, "✓") });
    L.marker(place(...block.label), { icon, interactive: false, keyboard: false }).addTo(plantedMarks);
  }
  for (const box of document.querySelectorAll("[data-tick]")) box.checked = ticks.has(box.dataset.tick);
  const sum = [...ticks.values()].reduce((total, one) => total + one.trees, 0);
  const word = document.getElementById("ticks-sum");
  if (word) {
    word.textContent = `${ticks.size} of ${several(plantable.length, "block")} ticked as planted, ${count(sum)} of ` +
      `${several(plan.trees_total, "tree")}. ` + (saved ? "The ticks are in this browser only, so save the list as well."
      : "This browser does not store ticks. Save the list before you close the page.");
    document.getElementById("ticks-save").disabled = !ticks.size;
  }
}

/* ---- the sheet of a block -------------------------------------------------------------- */

const plantable = plan.blocks.filter((block) => block.trees);
const zoneOf = (block) => plan.zones.find((zone) => zone.zone === block.zone);
function countsOf(block) {
  const at = plan.blocks.indexOf(block), trees = new Array(plan.species.length).fill(0);
  let from = 0;
  for (const [index, , number] of treeLayer.trees.rows) {
    if (index === at) for (let i = from; i < from + number; i++) trees[treeLayer.trees.species[i]]++;
    from += number;
  }
  return trees.map((number, species) => ({ species, trees: number })).filter((row) => row.trees)
    .sort((a, b) => b.trees - a.trees);
}
function tickBox(block) {
  const more = el("div", { class: "tick-more", hidden: !ticks.has(block.block) });
  const fill = () => {
    const one = ticks.get(block.block);
    more.hidden = !one;
    if (!one) return more.replaceChildren();
    return more.replaceChildren(
      el("label", {}, "On ", el("input", { type: "date", value: one.on, onchange: (event) => tick(block, { on: event.target.value }) })),
      el("label", {}, "Trees ", el("input", { type: "number", min: 0, max: 1000000, value: one.trees, onchange(event) {
        tick(block, { trees: Math.max(0, Math.round(Number(event.target.value) || 0)) });
      } })),
      el("label", { class: "wide" }, "Note ", el("input", { type: "text", maxlength: 200, value: one.note,
        onchange: (event) => tick(block, { note: event.target.value }) })));
  };
  fill();
  return [el("label", { class: "row" }, el("input", { type: "checkbox", checked: ticks.has(block.block),
    "data-tick": block.block, onchange(event) { tick(block, event.target.checked ? {} : null); fill(); } }),
  "Planted"), more];
}
function worksOf(block) {
  if (block.year === undefined) return [];
  return [["When", `${block.window}, ${yearWords(block.year)}`],
    ["Planted later", block.trees_later ? `${several(block.trees_later, "tree")}, ${yearWords(block.later)}` : ""],
    ["Who can plant", block.access_class], ["Crew-days", `about ${block.crew_days}`]];
}
/* Species along a row as they stand: [species, how many], one after the other. */
function runsOf(k) {
  const { trees } = treeLayer, found = [];
  for (let i = firstOf(trees, k); i < trees.ends[k]; i++) {
    const last = found.at(-1);
    if (last && last[0] === trees.species[i]) last[1]++; else found.push([trees.species[i], 1]);
  }
  return found;
}
/* Species of a row with their numbers, the commonest first. */
function kindsOf(k) {
  const sums = new Map();
  for (const [species, number] of runsOf(k)) sums.set(species, (sums.get(species) || 0) + number);
  return [...sums].sort((a, b) => b[1] - a[1]);
}
const inRow = (block, k) => (block.ordered ? runsOf(k) : kindsOf(k));
function rowsTable(block) {
  const { trees } = treeLayer, rows = trees.ofBlock[plan.blocks.indexOf(block)];
  const item = ([species, number]) => el("span", { class: "in-row" }, markOf(plan.species[species].marks, 6),
    ` ${number} ${plan.species[species].code} `);
  return el("table", { class: "row-list" },
    el("caption", {}, block.ordered ? "Rows, each from its first peg on" : "Rows; species in any order"),
    el("thead", {}, el("tr", {}, ["Row", "Trees", "Species"].map((head) => el("th", { scope: "col" }, head)))),
    el("tbody", {}, rows.map((k) => el("tr", {}, el("th", { scope: "row" }, nameOf(trees.rows[k])),
      el("td", {}, count(trees.rows[k][2])), el("td", {}, inRow(block, k).map(item))))));
}
const sentences = (texts) => el("ul", { class: "sentences" }, texts.map((text) => el("li", {}, text)));
function blockParts(block) {
  const zone = zoneOf(block), counts = countsOf(block);
  return [el("h2", {}, chip(zone), " Block ", block.block), el("p", {}, zone.title),
    zone.why_not ? el("p", { class: "why-not" }, zone.why_not) : null,
    facts([["Paddock", block.paddock], ["Area", block.area], ["Trees", count(block.trees)],
      ["Rows", block.rows ? count(block.rows) : ""],
      ["Spacing", block.trees ? `${zone.spacing_m} m, ${zone.pattern} (on the map)` : ""],
      ["Not on foot", block.trees ? "" : { leave: "left as it is", "seed from above": "to be seeded from above" }[block.steep] || ""],
      ...worksOf(block)]),
    block.said ? [el("h3", {}, "Find and plant it"), sentences(block.said),
      el("h3", {}, "Where plants are put down"), sentences(block.drops.map((drop) => drop[2])),
      el("h3", {}, "Be careful"), sentences(block.careful.map((at) => plan.careful[at]))] : null,
    counts.length ? speciesTable(counts, `Trees in block ${block.block}`, ["trees"]) : null];
}
function aboutBlock(block) {
  const zone = zoneOf(block);
  return [...blockParts(block), block.trees ? [tickBox(block), el("details", { ontoggle(event) {
    if (event.target.open && event.target.children.length === 1) event.target.append(rowsTable(block));
  } }, el("summary", {}, block.ordered ? "Rows in planting order" : "Rows and their species"))] : null,
    note(plan.words.services),
    el("button", { class: "row", type: "button", onclick: () => openAt(place(...block.label), aboutZone(zone)) },
      chip(zone), "About this zone")];
}

/* ---- going to a block -------------------------------------------------------------------------- */

/* Open the card first, for what is shown fills what the card leaves free. */
function goTo(parts, at, content, event, block = null) {
  openAt(at, content, { block });
  asker = event && event.target.closest("button, input");
  const box = parts.reduce((all, part) => all.extend(part.getBounds()), L.latLngBounds([]));
  map.fitBounds(box, { ...free(), maxZoom: 21 });
}
const goToBlock = (block, event) => goTo(drawn(block, "blocks", {}).getLayers(), place(...block.label),
  aboutBlock(block), event, block);
