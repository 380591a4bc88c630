/* Before and now: what changed since the plan before, beside the map; and that plan's map. */

import { byId, el, get } from "/page/server.js";

const table = (title, rows) => rows.length === 0 ? [] : [el("h3", {}, title), el("table", {},
  el("thead", {}, el("tr", {}, ...["", "Before", "Now", "Change"].map((words) => el("th", { scope: "col" }, words)))),
  el("tbody", {}, ...rows.map(([what, ...values]) => el("tr", {}, el("th", { scope: "row" }, what), ...values.map((one) => el("td", {}, one))))))];

const list = (title, lines) => lines.length === 0 ? [] : [el("h3", {}, title), el("ul", {}, ...lines.map((one) => el("li", {}, one)))];

async function load() {
  const box = byId("changes-found"), button = byId("show-before");
  let found = null;
  try {
    found = (await get("/api/changes")).changes;
  } catch (refused) {
    box.replaceChildren(...refused.sentences.map((one) => el("p", { className: "sentence" }, one)));
    return;
  }
  button.hidden = !found?.map;
  if (!found?.map) showBefore(false);
  else if (!byId("map-before").hidden) showBefore(true, found.stamp);
  byId("map-before").dataset.stamp = found?.stamp || "";
  if (found === null) {
    box.replaceChildren(el("p", {}, "After the next plan, what it changes is shown here."));
  } else if (found.same) {
    box.replaceChildren(el("p", {}, "Nothing has changed since the plan before."));
  } else {
    box.replaceChildren(...table("In all", found.figures), ...table("Trees by paddock", found.paddocks), ...table("Trees by species", found.species),
      ...list("Settings", found.settings.map(([name, before, now]) => `${name}: ${before}, now ${now}`)), ...list("Files that changed", found.inputs),
      ...list("Warnings that are new", found.warnings_new), ...list("Warnings that are gone", found.warnings_gone));
  }
}

function showBefore(wanted, stamp = byId("map-before").dataset.stamp) {
  const frame = byId("map-before");
  byId("before-box").hidden = !wanted;
  frame.hidden = !wanted;
  byId("show-before").setAttribute("aria-pressed", String(wanted));
  const address = wanted ? `/plan-before/map.html?${stamp}` : null;
  if (address && frame.getAttribute("src") !== address) frame.setAttribute("src", address);
}

export function startChanges() {
  byId("show-before").addEventListener("click", () => showBefore(byId("map-before").hidden));
  window.addEventListener("planned", load);
}
