/* Plan and Stop, the steps of a run, and the plan's map, sheets and files. */

import { startBlocks } from "/page/blocks.js";
import { startChanges } from "/page/changes.js";
import { byId, el, get, post } from "/page/server.js";

let shown = null, mapped = null, wanted = null, changed = false;
/* Which trees there are to be shown: another word for others. */
export let trees = "";

/* A map that starts without a size cannot find its place: it waits until it is on the screen. */
function placeMap() {
  if (wanted === null || byId("plan-map").getClientRects().length === 0) return;
  byId("plan-map").src = wanted;
  wanted = null;
}

window.addEventListener("resize", placeMap);

export function showWrong(sentences) {
  const box = byId("wrong");
  box.replaceChildren(...sentences.map((one) => el("p", {}, one)));
  box.hidden = sentences.length === 0;
}

export function showPlan(plan) {
  byId("no-plan").hidden = plan !== null;
  byId("look").classList.toggle("there", plan !== null);
  for (const id of ["figures", "plan-map", "changes", "blocks", "papers", "warnings"]) byId(id).hidden = plan === null;
  if (plan === null) return;
  byId("files").replaceChildren(...plan.files.map(([name, words]) =>
    el("li", {}, el("a", { href: `/plan/${name}`, target: "_blank" }, words), ` (${name})`)));
  const now = `${plan.stamp} ${plan.behind}`;
  if (now === shown) return;
  shown = now;
  if (!plan.behind) window.dispatchEvent(new Event("plan"));
  byId("figures").textContent =
    `${Number(plan.trees).toLocaleString("en")} trees on ${plan.area_ha} ha. An estimate: walk the ground first.`;
  if (plan.stamp !== mapped) {
    mapped = plan.stamp;
    wanted = plan.map ? `/plan/map.html?${plan.stamp}` : null;
    placeMap();
  }
  byId("warning-list").replaceChildren(
    ...[...plan.cautions, ...plan.warnings].map((one) => el("li", {}, one)));
}

function show(state) {
  const working = state.doing === "running" || state.doing === "behind";
  byId("plan").disabled = state.doing === "running";
  byId("stop").disabled = !working;
  const bar = byId("bar");
  bar.hidden = !working;
  if (state.of > 0) {
    bar.max = state.of;
    bar.value = Math.min(state.steps, state.of);
  } else {
    bar.removeAttribute("value");
  }
  const behind = `The map is ready; sheets and files follow. ${state.step ? `${state.step} …` : ""}`;
  const words = { running: `${state.step} …`, behind, done: "The plan is ready.", stopped: state.sentences[0] || "" };
  byId("step").textContent = words[state.doing] || "";
  showWrong(state.doing === "failed" ? state.sentences : []);
}

function showTrees(now) {
  if (now === trees) return;
  trees = now;
  window.dispatchEvent(new Event("trees"));
}

async function follow() {
  let number = -1;
  for (;;) {
    try {
      const state = await get(`/api/planning/state?after=${number}`);
      if (state.number !== number) {
        show(state);
        showTrees(state.trees || state.plan?.stamp || "");
        showPlan(state.plan);
        if (state.doing !== "running") window.dispatchEvent(new Event("free"));
        if (state.doing === "done") window.dispatchEvent(new Event("planned"));
      }
      number = state.number;
    } catch (refused) {
      showWrong(refused.sentences || [String(refused)]);
      await new Promise((resolve) => setTimeout(resolve, 2000));
    }
  }
}

export function startPlanning(saved) {
  const plan = async (only) => {
    changed = false;
    byId("plan").disabled = true;
    try {
      await saved();
      await post("/api/planning/start", { only });
    } catch (refused) {
      byId("plan").disabled = false;
      showWrong(refused.sentences || [String(refused)]);
    }
  };
  byId("plan").addEventListener("click", () => plan([]));
  /* What changes while a map is being made is planned once that one is there. */
  const planAgain = () => changed && byId("each-change").checked && !byId("plan").disabled && plan([]);
  window.addEventListener("saved", () => { changed = true; planAgain(); });
  window.addEventListener("free", planAgain);
  startBlocks(plan);
  startChanges();
  window.dispatchEvent(new Event("planned"));
  byId("stop").addEventListener("click", () => post("/api/planning/stop").catch((refused) => showWrong(refused.sentences)));
  follow();
}
