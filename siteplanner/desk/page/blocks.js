/* Blocks: mark what has become of them, lay some out again, and find rows for plants on hand. */

import { showDamage } from "/page/damage.js";
import { byId, el, get, post } from "/page/server.js";

let listed = null;
const ticked = new Set();

function say(words, bad = false) {
  byId("blocks-said").textContent = words;
  byId("blocks-said").classList.toggle("sentence", bad);
}

function show(found) {
  listed = found;
  for (const name of ticked) if (!found.blocks.some((one) => one.block === name)) ticked.delete(name);
  const rows = found.blocks.map((one) => el("tr", {},
    el("td", {}, el("input", {
      type: "checkbox", checked: ticked.has(one.block), "aria-label": `Block ${one.block}`,
      onchange: (event) => (event.target.checked ? ticked.add(one.block) : ticked.delete(one.block)),
    })),
    el("td", {}, one.block), el("td", {}, one.trees.toLocaleString("en")),
    el("td", {}, one.status === found.set_aside ? `${one.status} until ${one.until}` : one.status)));
  const head = el("tr", {}, ...["Tick", "Block", "Trees", "What has become of it"].map((words) => el("th", { scope: "col" }, words)));
  byId("blocks-table").replaceChildren(el("table", {}, el("thead", {}, head), el("tbody", {}, ...rows)));
  const species = byId("of-species"), was = species.value;
  species.replaceChildren(...found.species.map((name) => el("option", { value: name }, name)));
  if (found.species.includes(was)) species.value = was;
  showDamage({ blocks: found.blocks.map((one) => ({ block: one.block })), species: found.species });
}

async function mark(status, until = null) {
  try {
    const names = [...ticked];
    show(await post("/api/blocks/mark", { names, status, until }));
    say(`${names.join(", ")}: ${status}${until ? ` until ${until}` : ""}. Saved in blocks.gpkg.`);
  } catch (refused) {
    say(refused.sentences.join(" "), true);
  }
}

async function load() {
  if (byId("blocks").hidden || !byId("blocks").open) return;
  try {
    show(await get("/api/blocks"));
    say("");
  } catch (refused) {
    say(refused.sentences.join(" "), true);
  }
}

async function findRows() {
  try {
    const { lines } = await post("/api/blocks/place", { species: byId("of-species").value, number: byId("on-hand").value.trim() });
    byId("rows-found").replaceChildren(...lines.map((one) => el("li", {}, one)));
  } catch (refused) {
    byId("rows-found").replaceChildren(...refused.sentences.map((one) => el("li", { className: "sentence" }, one)));
  }
}

export function startBlocks(plan) {
  const until = el("input", { type: "text", inputMode: "numeric", id: "until", value: String(new Date().getFullYear() + 1), size: 5 });
  const button = (words, act) => el("button", { type: "button", onclick: act }, words);
  byId("blocks-tools").append(
    ...["printed", "pegged", "planted", "lost", "planned"].map((status) => button(status[0].toUpperCase() + status.slice(1), () => mark(status))),
    button("Too wet: set aside", () => mark(listed.set_aside, until.value.trim())),
    el("label", { htmlFor: "until" }, "until"), until,
    button("Only this one again", () => (ticked.size ? plan([...ticked]) : say("Tick the block first; or several.", true))));
  byId("where-to").addEventListener("click", findRows);
  byId("blocks").addEventListener("toggle", load);
  window.addEventListener("plan", load);
}
