/* The desk: starts the page. */

import { byId, get } from "/page/server.js";
import { showPlan, showWrong, startPlanning } from "/page/planning.js";
import { startDrawing } from "/page/drawing.js";
import { startSpecies } from "/page/species.js";

function showPart(part) {
  document.querySelector("main").dataset.shown = part;
  for (const one of document.querySelectorAll("nav button")) one.setAttribute("aria-pressed", String(one.dataset.show === part));
  window.dispatchEvent(new Event("resize"));
}
for (const button of document.querySelectorAll("nav button")) button.addEventListener("click", () => showPart(button.dataset.show));
/* Where there is no room for both, one is shown: narrower than this they would lie below each other. */
const narrow = matchMedia("(max-width: 60rem)");
const fit = () => { if (narrow.matches && document.querySelector("main").dataset.shown === "both") showPart("draw"); };
narrow.addEventListener("change", fit);
fit();

try {
  const site = await get("/api/site");
  document.title = `${site.name} – siteplanner`;
  byId("name").textContent = site.name;
  showPlan(site.plan);
  startSpecies();
  const drawing = startDrawing(site);
  startPlanning(async () => (await drawing)());
  await drawing;
  if (site.sentences.length) showWrong(site.sentences);
} catch (refused) {
  showWrong(refused.sentences || [`The page failed: ${refused.message}. Please report it.`]);
}
document.documentElement.dataset.ready = "yes";
