/* What you draw: the list, the map, and the layer that is open. */

import { byId, el, get, post } from "/page/server.js";
import { showWrong } from "/page/planning.js";
import { showCorners } from "/page/corners.js";
import { showEarlier } from "/page/earlier.js";
import { nameOf, showForm, showTable } from "/page/form.js";
import { Trees } from "/page/trees.js";
import { Under } from "/page/under.js";

/* What lies above what on the map; the layer that is open lies above all. */
const ABOVE = { soils: 1, zones: 2, hollows: 2, paddocks: 3, boundary: 4, no_plant: 5, thermometers: 6, seed_sources: 7 };

class Desk {
  constructor(site, LayerState) {
    this.looks = site.looks;
    this.states = site.drawn.map((drawn) => new LayerState(drawn, (state) => this.told(state)));
    this.open = null;
    this.chosen = null;
    this.last = {};
  }

  async start(Tools) {
    this.projection = new ol.proj.Projection({ code: "SITE", units: "m", metersPerUnit: 1 });
    this.map = new ol.Map({
      target: "map",
      controls: [new ol.control.Zoom(), new ol.control.ScaleLine({ units: "metric" })],
      view: new ol.View({ projection: this.projection, center: [0, 0], resolution: 1, constrainResolution: false }),
      layers: this.states.map((state) => {
        state.onMap = new ol.layer.Vector({
          source: state.source, zIndex: ABOVE[state.drawn.part], style: (feature) => this.style(state, feature),
        });
        return state.onMap;
      }),
    });
    this.tools = new Tools(this.map, this);
    this.map.on("singleclick", (event) => this.clicked(event));
    await Promise.all(this.states.map((state) => state.load()));
    this.fit();
    this.ready = true; // before, a layer would be drawn on a map that has no place yet
    this.showList();
    this.startKeys();
    this.under = new Under(this.map, this.projection);
    await Promise.all([this.under.start(), new Trees(this.map, this.projection).start()]);
    const first = sessionStorage.getItem("open");
    sessionStorage.removeItem("open");
    const wanted = this.states.find((state) => state.drawn.part === first);
    if (wanted) this.openLayer(wanted);
  }

  fit() {
    const extent = ol.extent.createEmpty();
    const first = this.states.find((one) => one.drawn.part === "boundary" && !one.source.isEmpty());
    for (const state of first ? [first] : this.states) if (!state.source.isEmpty()) ol.extent.extend(extent, state.source.getExtent());
    if (!ol.extent.isEmpty(extent)) this.map.getView().fit(extent, { padding: [24, 24, 24, 24], maxZoom: 30 });
  }

  look(state, feature) {
    const kind = state.drawn.part === "no_plant" ? feature?.get("values")[state.drawn.fields[0]?.column] : state.drawn.part;
    return this.looks[kind] || this.looks.other;
  }

  style(state, feature) {
    const [colour, dash] = this.look(state, feature);
    const chosen = feature === this.chosen, open = state === this.open;
    const width = chosen ? 5 : open ? 3 : 1.6;
    const fill = new ol.style.Fill({ color: `${colour}${chosen ? "44" : open ? "22" : "00"}` });
    const line = (color, wide, lineDash) => new ol.style.Stroke({ color, width: wide, lineDash });
    const circle = (radius, stroke) => new ol.style.Circle({ radius, fill: new ol.style.Fill({ color: colour }), stroke });
    return [
      new ol.style.Style({ stroke: line("#ffffffcc", width + 2), image: circle(open ? 8 : 6, line("#fff", 3)) }),
      new ol.style.Style({ stroke: line(colour, width, dash.length ? dash.map((mm) => mm * 4) : null), fill }),
    ];
  }

  showList() {
    byId("list").replaceChildren(...this.states.map((state) => {
      const [colour] = this.look(state, state.features[0]);
      const mark = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      for (const [name, value] of Object.entries({ width: 18, height: 18, viewBox: "0 0 18 18", "aria-hidden": "true" })) mark.setAttribute(name, value);
      const inside = { point: "M9 4a5 5 0 1 0 .01 0z", line: "M1 13L7 6l4 5 6-8", polygon: "M2 4h13v9l-9 3-4-5z", any: "M2 4h13v9l-9 3-4-5z" }[state.drawn.shape];
      const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
      for (const [name, value] of Object.entries({ d: inside, stroke: colour, "stroke-width": 2.4, fill: state.drawn.shape === "point" ? colour : "none" })) path.setAttribute(name, value);
      mark.append(path);
      const many = state.source.getFeatures().length;
      const words = state.status === "unread" ? "cannot be read" : state.dirty && state.status !== "saving" ? "not saved" : many || "none yet";
      return el("li", {}, el("button", { type: "button", "aria-pressed": String(state === this.open), onclick: () => this.openLayer(state) },
        mark, el("span", {}, state.drawn.title), el("span", { className: "how-many" }, String(words))));
    }));
  }

  openLayer(state) {
    this.open = state;
    for (const one of this.states) one.onMap.setZIndex(one === state ? 20 : ABOVE[one.drawn.part]);
    this.chosen = state.features.length === 1 ? state.features[0] : null;
    byId("details").hidden = false;
    byId("layer-title").textContent = state.drawn.title;
    this.tools.start("move");
    this.show();
    this.redraw();
    if (matchMedia("(max-width: 60rem)").matches) byId("details").scrollIntoView();
    byId("earlier").hidden = true;
    if (state.drawn.editable && state.drawn.there) {
      showEarlier(byId("earlier"), state.drawn.id, () => Promise.all(
        this.states.filter((one) => one.drawn.file === state.drawn.file).map((one) => one.load())));
    }
  }

  startKeys() {
    document.addEventListener("keydown", (event) => {
      const key = event.key.toLowerCase();
      if (!this.open || !(event.ctrlKey || event.metaKey) || !["z", "y"].includes(key)) return;
      if (event.target.closest("input[type=text], input[type=search]")) return; // a field undoes its own words
      event.preventDefault();
      this.stepped(this.open, key === "y" || event.shiftKey ? "forth" : "back");
    });
  }

  choose(feature) {
    this.chosen = feature;
    this.tools.showButtons();
    this.show();
    this.redraw();
  }

  redraw() { for (const state of this.states) state.source.changed(); }

  clicked(event) {
    if (this.open && this.tools.mode === "remove") this.tools.removeAt(event.coordinate);
    if (!this.open || this.tools.mode !== "move") return;
    const found = this.map.getFeaturesAtPixel(event.pixel, {
      hitTolerance: 8, layerFilter: (layer) => layer.getSource() === this.open.source,
    });
    if (found.length) this.choose(found[0]);
  }

  edit(change) {
    const before = this.open.snapshot();
    if (change() === false) return false;
    this.edited(this.open, before);
    return true;
  }

  edited(state, before) { state.changed(before); }

  added(state, geometry, before) {
    const values = {};
    for (const field of state.drawn.fields) {
      if (field.kind === "yes_no") values[field.column] = 1;
      else if (field.kind === "choice") values[field.column] = this.last[field.column] ?? null;
      else values[field.column] = null;
    }
    this.chosen = state.add(geometry, values);
    state.changed(before);
    this.tools.showButtons();
    byId("form").querySelector("input, select")?.focus();
  }

  removed(state) {
    const before = state.snapshot();
    state.source.removeFeature(this.chosen);
    this.chosen = null;
    state.changed(before);
    this.tools.showButtons();
  }

  /* The plan's zones become the user's own, to be edited; the next plan keeps them. */
  async takeZones(state) {
    try {
      await post("/api/blocks/zones");
      await state.load();
      this.openLayer(state);
    } catch (refused) {
      showWrong(refused.sentences || [String(refused)]);
    }
  }

  stepped(state, way) {
    const uid = this.chosen?.get("uid");
    state[way]();
    this.chosen = state.features.find((one) => one.get("uid") === uid) || null;
    this.tools.start("move");
    this.show();
  }

  told(state) {
    if (!this.ready) return;
    for (const field of state.drawn.fields.filter((one) => one.kind === "choice")) {
      if (this.chosen && state === this.open) this.last[field.column] = this.chosen.get("values")[field.column] ?? this.last[field.column];
    }
    if (state.status === "saved" && this.chosen && state === this.open && !state.features.includes(this.chosen)) {
      const fid = this.chosen.get("fid");
      this.chosen = state.features.find((one) => one.get("fid") === fid) || null;
    }
    if (state.justSaved) {
      state.justSaved = false;
      const { file, layer } = state.drawn;
      for (const other of this.states) {
        if (other === state || other.dirty) continue;
        if (state.followed.includes(other.drawn.id) || (other.drawn.file === file && other.drawn.layer === layer)) other.load();
      }
    }
    this.showList();
    if (state === this.open) {
      this.show();
      this.tools.showButtons();
    }
  }

  show() {
    const state = this.open;
    const saved = byId("saved");
    const words = {
      saved: state.notes.length ? `Saved. ${state.notes.join(" ")}` : state.past.length || state.future.length ? "Saved." : "",
      saving: "Saving …", refused: state.sentences.join(" "), stale: state.sentences.join(" "), unread: state.sentences.join(" "), loading: "Reading …",
    };
    saved.replaceChildren(words[state.status]);
    saved.classList.toggle("bad", ["refused", "stale", "unread"].includes(state.status));
    if (state.status === "stale") saved.append(" ", el("button", { type: "button", onclick: () => state.load() }, "Load it again"));
    const which = byId("which");
    byId("which-line").hidden = state.features.length === 0;
    which.replaceChildren(el("option", { value: "" }, "choose one"), ...state.features.map((one, n) =>
      el("option", { value: String(n) }, nameOf(state, one, n))));
    which.value = this.chosen ? String(state.features.indexOf(this.chosen)) : "";
    which.onchange = () => this.choose(which.value === "" ? null : state.features[Number(which.value)]);
    const edit = (change) => this.edit(change);
    showForm(state, this.chosen, edit);
    byId("corners").hidden = !this.chosen || !state.drawn.editable;
    showCorners(this.chosen, state.drawn.shared ? state.features : [this.chosen].filter(Boolean), edit);
    showTable(state, this.chosen, (feature) => this.choose(feature));
  }
}

/* Give a function that waits for what is being saved, and throws what is not saved. */
export async function startDrawing(site) {
  if (!site.library || typeof ol === "undefined") {
    byId("map").hidden = true;
    byId("no-map").hidden = false;
    byId("no-map").textContent = site.missing;
    byId("list").replaceChildren(...site.drawn.map((one) => el("li", {}, one.title)));
    return async () => {};
  }
  const { LayerState } = await import("/page/layer_state.js");
  const { Tools } = await import("/page/tools.js");
  const desk = new Desk(site, LayerState);
  await desk.start(Tools);
  return async () => {
    await Promise.all(desk.states.map((state) => state.saving));
    const open = desk.states.filter((state) => state.dirty);
    if (open.length) throw { sentences: open.map((state) => `${state.drawn.title}: not saved yet. ${state.sentences.join(" ")}`) };
  };
}
