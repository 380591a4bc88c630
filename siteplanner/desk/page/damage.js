/* Damage seen in the blocks: which block, what, how many, and what is done about it. */

import { byId, el, get, post } from "/page/server.js";

const FIELDS = [
  ["block", "Block"], ["rows", "Rows: all, or numbers such as 3-5, 8"], ["species", "Species that died"], ["cause", "What happened"],
  ["dead", "Dead trees: a number, or all"], ["do", "What to do"], ["replace_with", "Species to plant instead"], ["date", "Day, year-month-day"], ["note", "Note"],
];
let listed = null, blocks = null;

const choices = (words, first) => [el("option", { value: "" }, first), ...words.map((one) => el("option", { value: one }, one))];

function control(name) {
  const made = {
    block: () => el("select", {}, ...choices(blocks.blocks.map((one) => one.block), "choose one")),
    species: () => el("select", {}, ...choices(blocks.species, "all of them")),
    cause: () => el("select", {}, ...choices(listed.causes, "choose one")),
    do: () => el("select", {}, ...choices(listed.actions, "choose one")),
    replace_with: () => el("select", {}, ...choices(blocks.species, "none")),
  }[name]?.() ?? el("input", { type: "text", autocomplete: "off", value: name === "rows" ? "all" : "" });
  made.id = `damage-${name}`;
  return made;
}

function form() {
  byId("damage-form").replaceChildren(...FIELDS.flatMap(([name, title]) => {
    const made = control(name);
    made.setAttribute("aria-describedby", `${made.id}-wrong`);
    return [el("label", { htmlFor: made.id }, title), made, el("span", { className: "sentence", id: `${made.id}-wrong` })];
  }), el("button", { type: "button", onclick: () => send({ line: Object.fromEntries(FIELDS.map(([name]) => [name, byId(`damage-${name}`).value])) }) }, "Note this damage"));
}

function lines() {
  byId("damage-lines").replaceChildren(...listed.lines.map((one, n) => el("li", {},
    `Block ${one.block}, rows ${one.rows}: ${one.dead} dead of ${one.cause}${one.species ? ` (${one.species})` : ""}; ${one.do}${one.replace_with ? `: ${one.replace_with}` : ""}. `,
    el("button", { type: "button", "aria-label": `Take out line ${n + 1}`, onclick: () => send({ out: n }) }, "Take out"))));
}

async function send(what) {
  for (const [name] of FIELDS) {
    byId(`damage-${name}-wrong`).textContent = "";
    byId(`damage-${name}`).removeAttribute("aria-invalid");
  }
  try {
    const found = await post("/api/damage", what);
    listed = found;
    if (what.line) form();
    byId("damage-said").replaceChildren(...found.said.map((one) => el("li", {}, one)));
    lines();
  } catch (refused) {
    for (const one of refused.errors) {
      const note = byId(`damage-${one.column}-wrong`);
      if (!note) continue;
      note.textContent = `${note.textContent} ${one.sentence}`.trim();
      byId(`damage-${one.column}`).setAttribute("aria-invalid", "true");
    }
    byId("damage-said").replaceChildren(...(refused.errors.length ? [] : refused.sentences).map((one) => el("li", { className: "sentence" }, one)));
  }
}

/* ``now`` has the plan's blocks and the species. */
export async function showDamage(now) {
  const first = blocks === null, same = JSON.stringify(now) === JSON.stringify(blocks);
  blocks = now;
  if (same) return;
  try {
    listed = await get("/api/damage");
    form();
    lines();
    if (first) byId("damage-said").replaceChildren();
  } catch (refused) {
    byId("damage-said").replaceChildren(...refused.sentences.map((one) => el("li", { className: "sentence" }, one)));
  }
}
