/* The species: which may be planted, of which there is seed, and a few facts of each. */

import { byId, el, get, post } from "/page/server.js";

let listed = null, chosen = null, wrong = [];

function say(words, bad = false) {
  byId("species-said").textContent = words;
  byId("species-said").classList.toggle("sentence", bad);
}

async function change(name, what) {
  try {
    listed = await post("/api/species", { version: listed.version, name, ...what });
    wrong = [];
    say(`Saved in ${what.plant === undefined ? listed.file : "site.toml"}.`);
  } catch (refused) {
    wrong = refused.errors.map((one) => ({ ...one, name }));
    say(refused.sentences.join(" "), true);
    if (refused.status === 409) listed = await get("/api/species");
  }
  show();
}

const fits = (one, words) => words.every((word) =>
  `${one.name} ${one.common} ${one.roles} ${one.cautions}`.toLowerCase().includes(word));

function show() {
  const words = byId("species-search").value.toLowerCase().split(/\s+/).filter(Boolean);
  const only = byId("species-only").value;
  const found = listed.species.filter((one) => fits(one, words) && (!only || one[only]));
  const was = document.activeElement?.id;
  byId("species-many").textContent = `${found.length} of ${listed.species.length} species, ${listed.species.filter((one) => one.plant).length} may be planted`;
  const tick = (one, what, label, disabled = false) => el("input", {
    type: "checkbox", id: `${what}-${one.name.replaceAll(" ", "_")}`, checked: one[what], disabled, "aria-label": `${one.name}: ${label}`,
    onchange: (event) => change(one.name, { [what]: event.target.checked }),
  });
  const rows = found.map((one) => el("tr", {},
    el("td", {}, tick(one, "plant", "may be planted")),
    el("td", {}, tick(one, "seed", "I have seed of this", !listed.editable)),
    el("th", { scope: "row" },
      el("button", { type: "button", id: `facts-${one.name.replaceAll(" ", "_")}`, "aria-expanded": String(one.name === chosen), onclick: () => { chosen = chosen === one.name ? null : one.name; wrong = []; show(); } },
        el("i", {}, one.name), ` ${one.common}`),
      one.name === chosen ? facts(one) : null,
      ...wrong.filter((error) => error.name === one.name && (error.column === "plant" || one.name !== chosen)).map((error) => el("span", { className: "sentence" }, error.sentence)))));
  const head = el("tr", {}, ...["Plant", "I have seed of this", "Species"].map((title) => el("th", { scope: "col" }, title)));
  byId("species-table").replaceChildren(el("table", {}, el("thead", {}, head), el("tbody", {}, ...rows)));
  byId(was)?.focus();
}

function facts(one) {
  const lines = listed.fields.flatMap((field) => {
    const id = `fact-${field.column}`, mine = wrong.filter((error) => error.name === one.name && error.column === field.column);
    const note = el("span", { className: "sentence", id: `${id}-wrong` }, mine.map((error) => error.sentence).join(" "));
    const input = el("input", {
      id, type: "text", autocomplete: "off", inputMode: field.kind === "number" ? "decimal" : "text", value: one.values[field.column],
      disabled: !listed.editable, "aria-describedby": note.id, onchange: (event) => change(one.name, { values: { [field.column]: event.target.value } }),
    });
    if (mine.length) input.setAttribute("aria-invalid", "true");
    return [el("label", { htmlFor: id }, field.title), input, note];
  });
  return el("div", { className: "facts" }, el("p", {}, one.roles), el("p", {}, one.cautions), ...lines);
}

export function startSpecies() {
  const button = byId("species-open");
  button.addEventListener("click", async () => {
    const open = byId("species").hidden;
    byId("species").hidden = !open;
    button.setAttribute("aria-expanded", String(open));
    if (!open) return;
    try {
      listed = await get("/api/species");
      byId("species-file").textContent = listed.editable ? "" : `${listed.file} is no CSV: ticks for planting are saved, all else you change in its own program.`;
      say("");
      show();
      byId("species-search").focus();
    } catch (refused) {
      say(refused.sentences.join(" "), true);
    }
  });
  byId("species-search").addEventListener("input", () => listed && show());
  byId("species-only").addEventListener("change", () => listed && show());
}
