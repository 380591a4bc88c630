/* The form of one feature, and the table of a layer; what is wrong stands beside its field. */

import { byId, el } from "/page/server.js";

function control(field, value, id) {
  if (field.kind === "choice") {
    const known = field.choices.map(([one, words]) => el("option", { value: one }, words));
    const select = el("select", { id }, el("option", { value: "" }, "not known"), ...known);
    if (value !== null && value !== undefined && !field.choices.some(([one]) => one === value)) {
      select.append(el("option", { value }, `${value} (not in the list)`));
    }
    select.value = value ?? "";
    return select;
  }
  if (field.kind === "yes_no") {
    const select = el("select", { id }, el("option", { value: "1" }, "yes"), el("option", { value: "0" }, "no"));
    select.value = String(Number(value ?? 1));
    return select;
  }
  return el("input", {
    id, type: "text", autocomplete: "off", inputMode: field.kind === "number" ? "decimal" : "text", value: value ?? "",
  });
}

function meant(field, text) {
  if (text.trim() === "") return null;
  return field.kind === "yes_no" ? Number(text) : text.trim();
}

export function showForm(state, feature, edit) {
  const form = byId("form");
  const was = document.activeElement?.id;
  form.replaceChildren();
  if (!feature) return;
  const uid = feature.get("uid");
  const own = state.errors.filter((one) => one.uid === uid);
  for (const field of state.drawn.fields) {
    const id = `field-${field.column}`;
    const made = control(field, feature.get("values")[field.column], id);
    const wrong = own.filter((one) => one.column === field.column);
    const note = el("span", { className: "sentence", id: `${id}-wrong` }, wrong.map((one) => one.sentence).join(" "));
    if (wrong.length) made.setAttribute("aria-invalid", "true");
    made.setAttribute("aria-describedby", note.id);
    made.disabled = !state.drawn.editable;
    made.addEventListener("change", () =>
      edit(() => feature.set("values", { ...feature.get("values"), [field.column]: meant(field, made.value) })));
    form.append(el("label", { htmlFor: id }, field.title), made, note);
  }
  for (const one of own.filter((each) => !each.column)) form.append(el("span", { className: "sentence" }, one.sentence));
  byId(was)?.focus?.();
}

export const nameOf = (state, feature, n) => {
  const values = feature.get("values");
  const words = state.drawn.fields.map((field) => {
    const value = values[field.column];
    return field.kind === "choice" ? (field.choices.find(([one]) => one === value) || [])[1] : field.kind === "text" ? value : null;
  }).filter(Boolean);
  return words.length ? `${n + 1}: ${words.slice(0, 2).join(", ")}` : `${n + 1}`;
};

export function showTable(state, chosen, choose) {
  const box = byId("table-list");
  const fields = state.drawn.fields;
  const cells = (feature) => fields.map((field) => {
    const value = feature.get("values")[field.column];
    const words = field.kind === "yes_no" ? (Number(value) ? "yes" : "no") : value ?? "";
    return el("td", {}, String(words));
  });
  const rows = state.features.map((feature, n) => el("tr", { ariaSelected: String(feature === chosen) },
    el("td", {}, el("button", { type: "button", "aria-label": `Choose feature ${n + 1}`, onclick: () => choose(feature) }, String(n + 1))),
    ...cells(feature)));
  const head = el("tr", {}, el("th", { scope: "col" }, "No."), ...fields.map((field) => el("th", { scope: "col" }, field.title)));
  box.replaceChildren(el("table", {}, el("thead", {}, head), el("tbody", {}, ...rows)));
}
