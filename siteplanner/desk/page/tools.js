/* The tools: what a tap or a drag on the map does to the layer that is open. */

import { cornerNear, removeCorner } from "/page/corners.js";
import { byId, el } from "/page/server.js";

const DRAWN = { polygon: "Polygon", line: "LineString", point: "Point" };
const WORDS = { polygon: "area", line: "line", point: "point" };
const HINTS = {
  move: "Drag a corner or an edge to move it; tap a feature to choose it. Edges that neighbours share move together.",
  add: "Tap the corners; finish with a double tap or Done.",
  point: "Tap where it is.",
  hole: "Draw the outline of what to leave out of the chosen area.",
  part: "Draw another part of the chosen feature.",
  remove: "Tap a corner to remove it, also from neighbours that share it. The last three corners of a hole or part take it with them.",
  anew: "Tap the corners of its new outline; finish with a double tap or Done.",
};

export class Tools {
  constructor(map, desk) {
    this.map = map;
    this.desk = desk;
    this.mode = "move";
    this.on = [];
  }

  clear() {
    for (const one of this.on) this.map.removeInteraction(one);
    this.on = [];
    this.drawing = null;
  }

  use(interaction) {
    this.map.addInteraction(interaction);
    this.on.push(interaction);
    return interaction;
  }

  start(mode, shape = null) {
    this.clear();
    this.mode = mode;
    this.shape = shape;
    const state = this.desk.open;
    if (state && state.drawn.editable && state.status !== "unread") {
      if (mode === "move") this.startModify(state);
      else if (mode !== "remove") this.startDraw(state, mode, shape);
      for (const other of this.desk.states) this.use(new ol.interaction.Snap({ source: other.source, pixelTolerance: 12 }));
    }
    this.showButtons();
  }

  startModify(state) {
    let before = null;
    const modify = this.use(new ol.interaction.Modify({
      source: state.source,
      pixelTolerance: 14,
      deleteCondition: (event) => event.type === "singleclick" && ol.events.condition.altKeyOnly(event),
    }));
    modify.on("modifystart", () => { before = state.snapshot(); });
    modify.on("modifyend", () => this.desk.edited(state, before));
  }

  /* Remove the corner that was tapped, where one is near: a finger is not a needle. */
  removeAt(place) {
    const state = this.desk.open;
    const features = state.drawn.shared || !this.desk.chosen ? state.features : [this.desk.chosen];
    const corner = cornerNear(features, place, 22 * this.map.getView().getResolution());
    if (!corner) byId("hint").textContent = "There is no corner. Tap nearer to one.";
    else if (!this.desk.edit(() => removeCorner(features, corner))) byId("hint").textContent = "A shape has at least three corners, a line two. To be rid of it, Delete.";
  }

  startDraw(state, mode, shape) {
    const inner = ["hole", "part", "anew"].includes(mode);
    const type = DRAWN[shape];
    const draw = this.use(new ol.interaction.Draw({
      type, stopClick: true, trace: type !== "Point" && mode !== "anew", traceSource: state.source, snapTolerance: 12,
    }));
    this.drawing = type === "Point" ? null : draw;
    draw.on("drawend", ({ feature }) => {
      const before = state.snapshot();
      const geometry = feature.getGeometry();
      if (!inner) this.desk.added(state, geometry, before);
      else if (this.putInto(geometry, mode)) this.desk.edited(state, before);
      else setTimeout(() => { byId("hint").textContent = "A hole begins inside the chosen area. Nothing was cut."; });
      if (type !== "Point") setTimeout(() => this.start("move"));
    });
  }

  putInto(geometry, mode) {
    const own = this.desk.chosen?.getGeometry();
    if (!own) return false;
    const type = own.getType();
    if (mode === "anew") {
      this.desk.chosen.setGeometry(geometry);
      return true;
    }
    const parts = type.startsWith("Multi") ? own.getCoordinates() : [own.getCoordinates()];
    if (mode === "part") {
      const single = type.replace("Multi", "");
      this.desk.chosen.setGeometry(new ol.geom[`Multi${single}`]([...parts, geometry.getCoordinates()]));
      return true;
    }
    const ring = geometry.getCoordinates()[0];
    const holed = parts.find((part) => new ol.geom.Polygon([part[0]]).intersectsCoordinate(ring[0]));
    if (!holed) return false;
    holed.push(ring);
    own.setCoordinates(type.startsWith("Multi") ? parts : parts[0]);
    return true;
  }

  /* For those who cannot point: a small one in the middle of the map, to be moved by numbers. */
  putInMiddle(state, shape) {
    const [x, y] = this.map.getView().getCenter();
    const r = 20 * this.map.getView().getResolution();
    const made = {
      point: () => new ol.geom.Point([x, y]),
      line: () => new ol.geom.LineString([[x - r, y], [x + r, y]]),
      polygon: () => new ol.geom.Polygon([[[x - r, y - r], [x + r, y - r], [x + r, y + r], [x - r, y + r], [x - r, y - r]]]),
    }[shape]();
    this.desk.added(state, made, state.snapshot());
    byId("corners").open = true;
  }

  showButtons() {
    const state = this.desk.open;
    const box = byId("tools");
    box.replaceChildren();
    byId("hint").textContent = "";
    if (!state) return;
    if (!state.drawn.editable) {
      byId("hint").textContent = `${state.drawn.file} is not a GeoPackage: edit it in your GIS, or save it as a GeoPackage and name that in site.toml.`;
      return;
    }
    const button = (words, act, pressed = null, disabled = false) => {
      const made = el("button", { type: "button", onclick: act, disabled }, words);
      if (pressed !== null) made.setAttribute("aria-pressed", String(pressed));
      box.append(made);
    };
    const shapes = state.drawn.shape === "any" ? ["point", "line", "polygon"] : [state.drawn.shape];
    const chosen = this.desk.chosen;
    if (state.drawn.part === "zones" && !state.drawn.there) button("Take over the plan's zones", () => this.desk.takeZones(state));
    button("Move", () => this.start("move"), this.mode === "move");
    for (const shape of shapes) {
      button(`Add ${shape === "polygon" ? "an" : "a"} ${WORDS[shape]}`, () => this.start("add", shape), this.mode === "add" && this.shape === shape);
    }
    if (this.drawing) {
      button("Done", () => this.drawing.finishDrawing());
      button("Take back a corner", () => this.drawing.removeLastPoint());
    }
    const type = chosen?.getGeometry().getType() || "";
    if (type.endsWith("Polygon")) button("Cut a hole", () => this.start("hole", "polygon"), this.mode === "hole");
    if (type && !type.endsWith("Point")) {
      button("Add a part", () => this.start("part", type.endsWith("Polygon") ? "polygon" : "line"), this.mode === "part");
      button("Draw it anew", () => this.start("anew", type.endsWith("Polygon") ? "polygon" : "line"), this.mode === "anew");
      button("Remove corners", () => this.start("remove"), this.mode === "remove");
    }
    for (const shape of shapes) {
      button(`Put ${shape === "polygon" ? "an" : "a"} ${WORDS[shape]} in the middle`, () => this.putInMiddle(state, shape));
    }
    button("Delete", () => this.desk.removed(state), null, !chosen);
    button("Undo", () => this.desk.stepped(state, "back"), null, !state.past.length);
    button("Redo", () => this.desk.stepped(state, "forth"), null, !state.future.length);
    byId("hint").textContent = this.mode === "add" && this.shape === "point" ? HINTS.point : HINTS[this.mode];
  }
}
