/* The desk: starts the page. */

import { byId, get } from "/page/server.js";
import { showPlan, showWrong, startPlanning } from "/page/planning.js";
import { startDrawing } from "/page/drawing.js";

for (const button of document.querySelectorAll("nav button")) {
  button.addEventListener("click", () => {
    document.querySelector("main").dataset.shown = button.dataset.show;
    for (const one of document.querySelectorAll("nav button")) one.setAttribute("aria-pressed", String(one === button));
    window.dispatchEvent(new Event("resize"));
  });
}

try {
  const site = await get("/api/site");
  document.title = `${site.name} – siteplanner`;
  byId("name").textContent = site.name;
  showPlan(site.plan);
  const drawing = startDrawing(site);
  startPlanning(async () => (await drawing)());
  await drawing;
  if (site.sentences.length) showWrong(site.sentences);
} catch (refused) {
  showWrong(refused.sentences || [`The page failed: ${refused.message}. Please report it.`]);
}
document.documentElement.dataset.ready = "yes";
