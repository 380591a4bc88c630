/* Starting a property: files, which is which, and one question at a time. */

import { Refused, byId, el, get, post } from "/page/server.js";

let about = null, at = 0;
const chosen = {}, answers = {};

function wrong(sentences) {
  byId("wrong").replaceChildren(...sentences.map((one) => el("p", {}, one)));
  byId("wrong").hidden = sentences.length === 0;
}

async function drop(files) {
  const refused = [];
  for (const file of files) {
    try {
      const answer = await fetch(`/api/start/file?name=${encodeURIComponent(file.name)}`, { method: "PUT", body: file });
      const read = await answer.json().catch(() => ({}));
      if (!answer.ok) throw new Refused(answer.status, read);
      about = read;
    } catch (error) {
      refused.push(`${file.name}: ${error.message}`);
    }
  }
  wrong(refused);
  show();
}

function show() {
  byId("folder").textContent = about.folder;
  byId("found").replaceChildren(...about.files.map((file) =>
    el("li", { className: file.wrong ? "sentence" : "" }, `${file.name}: ${file.words}`)));
  const good = (kind) => about.files.filter((file) => file.kind === kind && !file.wrong).map((file) => [file.name, file.name]);
  const rows = [
    ["dem", "Heights of the bare earth", [["", good("heights").length ? "choose one" : "drop a file first"], ...good("heights")]],
    ...about.uses.map(([name, words]) => [
      name, words[0].toUpperCase() + words.slice(1),
      [["", name === "boundary" ? "I draw it on the hillshade" : "none, or drawn later"], ...good("shapes")],
    ]),
    ["species_list", "Species to start with", [["", "chosen by the latitude"], ...about.lists]],
  ];
  if (!chosen.dem && good("heights").length === 1) chosen.dem = good("heights")[0][0];
  for (const [name] of about.uses) {
    const fits = good("shapes").map(([file]) => file).filter((file) => file.toLowerCase().includes(name.replace("no_plant", "clear").replace(/s$/, "")));
    if (!(name in chosen) && fits.length === 1) chosen[name] = fits[0];
  }
  const name = el("input", { id: "use-name", type: "text", maxLength: 200, value: chosen.name || "", onchange: (event) => { chosen.name = event.target.value; } });
  byId("uses").replaceChildren(el("label", { htmlFor: "use-name" }, "The property's name"), name, ...rows.flatMap(([key, words, options]) => {
    const select = el("select", { id: `use-${key}` }, ...options.map(([value, text]) => el("option", { value }, text)));
    select.value = chosen[key] || "";
    select.addEventListener("change", () => {
      chosen[key] = select.value;
      ready();
    });
    return [el("label", { htmlFor: select.id }, words), select];
  }));
  ready();
}

/* Heights are enough to start from; an outline is enough to fetch what is open. */
function ready() {
  byId("begin").disabled = !chosen.dem;
  byId("would").disabled = !chosen.boundary;
  byId("fetch").hidden = true;
}

function lists(parts) {
  byId("fetching").replaceChildren(...parts.filter(([, lines]) => lines.length).flatMap(([title, lines]) => [
    el("h3", {}, title), el("ul", {}, ...lines.map((line) => el("li", {}, line))),
  ]));
}

async function openData(fetch) {
  byId("would").disabled = byId("fetch").disabled = true;
  if (fetch) byId("fetching").replaceChildren(el("p", {}, "Fetching; this may take some minutes."));
  try {
    const said = await post("/api/start/open-data", { ...chosen, answers, fetch });
    wrong([]);
    if (!fetch) {
      lists([["Would be fetched", said.would], ["There already", said.kept], ["Please read", said.read]]);
      byId("fetch").hidden = said.would.length === 0;
    } else {
      lists([["Fetched", said.fetched], ["Could not be had", said.gaps], ["Please read", said.read],
        ["What went where", said.sent], ["What to improve first", said.improve]]);
      byId("fetch").hidden = true;
      if (said.started) started(said.missing); else wrong(said.missing);
    }
  } catch (refused) {
    wrong(refused.sentences || [String(refused)]);
  }
  byId("would").disabled = byId("fetch").disabled = false;
}

function started(missing) {
  byId("missing-list").replaceChildren(...missing.map((one) => el("li", {}, one)));
  byId("missing").hidden = false;
  // What it was started from is settled; what was fetched stays to be read.
  for (const id of ["files", "which", "asking", "begin", "would"]) byId(id).hidden = true;
  byId("open-data").hidden = byId("fetching").childElementCount === 0;
  byId("go").focus();
}

function ask() {
  const question = about.questions[at];
  byId("how-far").textContent = question ? `Question ${at + 1} of ${about.questions.length}` : "That is all. Answers can be changed in site.toml later.";
  const next = (value) => {
    if (value) answers[question.id] = value; else delete answers[question.id];
    at += 1;
    ask();
  };
  const box = byId("question");
  box.replaceChildren();
  if (question) {
    box.append(el("p", {}, question.words));
    const row = el("div", { className: "answers" });
    for (const [value, words] of question.answers) row.append(el("button", { type: "button", onclick: () => next(value) }, words));
    if (!question.answers.length) {
      const input = el("input", { type: "text", inputMode: "numeric", "aria-label": question.words });
      row.append(input, el("button", { type: "button", onclick: () => /^\d+$/.test(input.value.trim()) && next(input.value.trim()) }, "Next"));
    }
    row.append(el("button", { type: "button", onclick: () => next(null) }, "I don't know"));
    box.append(row);
  }
  if (at > 0) box.append(el("button", { type: "button", onclick: () => { at -= 1; ask(); } }, "Back"));
}

byId("choose").addEventListener("change", (event) => drop([...event.target.files]));
for (const name of ["dragover", "drop"]) {
  document.addEventListener(name, (event) => {
    event.preventDefault();
    if (name === "drop") drop([...event.dataTransfer.files]);
  });
}
byId("begin").addEventListener("click", async () => {
  byId("begin").disabled = true;
  try {
    const { missing } = await post("/api/start", { ...chosen, answers });
    wrong([]);
    started(missing);
  } catch (refused) {
    wrong(refused.sentences || [String(refused)]);
    byId("begin").disabled = false;
  }
});
byId("would").addEventListener("click", () => openData(false));
byId("fetch").addEventListener("click", () => openData(true));
byId("go").addEventListener("click", () => {
  if (!chosen.boundary) sessionStorage.setItem("open", "boundary"); // the one that stands in is drawn first
  location.reload();
});

try {
  about = await get("/api/start");
  show();
  ask();
} catch (refused) {
  wrong(refused.sentences || [String(refused)]);
}
document.documentElement.dataset.ready = "yes";
