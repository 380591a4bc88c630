/* What lies under the drawing: hillshade, contours, and a layer of the plan with its key. */

import { byId, el, get } from "/page/server.js";

const labels = (feature) => feature.get("label") ? new ol.style.Text({
  text: feature.get("label"), font: "12px system-ui, sans-serif", placement: feature.get("bold") ? "line" : "point",
  fill: new ol.style.Fill({ color: "#1b1b1b" }), stroke: new ol.style.Stroke({ color: "#ffffffcc", width: 3 }),
}) : undefined;

const thin = (feature) => new ol.style.Style({
  stroke: new ol.style.Stroke({ color: "#3d3222", width: feature.get("bold") ? 1.3 : 0.6 }), text: labels(feature),
});
const dotted = (feature) => new ol.style.Style({
  stroke: new ol.style.Stroke({ color: "#1b1b1b", width: 1.6, lineDash: [2, 4] }), text: labels(feature),
});

export class Under {
  constructor(map, projection) {
    this.map = map;
    this.projection = projection;
    this.layers = [];
    this.asked = 0;
    this.contours = null;
  }

  async start() {
    await this.hillshade();
    byId("contours").addEventListener("change", (event) => this.showContours(event.target.checked));
    byId("under-which").addEventListener("change", () => this.choose());
    byId("under-strength").addEventListener("input", (event) => this.plan?.setOpacity(event.target.value / 100));
    window.addEventListener("plan", () => this.list());
    await this.list();
  }

  say(refused) { byId("under-said").textContent = refused ? (refused.sentences || [String(refused)]).join(" ") : ""; }

  picture(name, extent, zIndex) {
    return new ol.layer.Image({
      zIndex, source: new ol.source.ImageStatic({
        url: `/api/under/pictures/${name}/picture`, projection: this.projection, imageExtent: extent,
      }),
    });
  }

  lines(features, style, zIndex) {
    const format = new ol.format.GeoJSON();
    return new ol.layer.Vector({
      zIndex, style, declutter: true,
      source: new ol.source.Vector({
        features: features.map((one) => new ol.Feature({ geometry: format.readGeometry(one.geometry), label: one.label, bold: one.bold })),
      }),
    });
  }

  async hillshade() {
    try {
      const { extent } = await get("/api/under/pictures/hillshade/about");
      this.map.addLayer(this.picture("hillshade", extent, 0));
    } catch (refused) {
      this.say(refused);
      byId("under").open = true;
    }
  }

  async showContours(wanted) {
    if (wanted && !this.contours) {
      try {
        const { step, features } = await get("/api/under/lines/contours");
        this.contours = this.lines(features, thin, 0.2);
        this.map.addLayer(this.contours);
        byId("contours-step").textContent = step ? `every ${step} m` : "no heights";
      } catch (refused) {
        this.say(refused);
      }
    }
    this.contours?.setVisible(wanted);
  }

  async list() {
    try {
      this.layers = (await get("/api/under")).layers;
    } catch (refused) {
      this.say(refused);
      return;
    }
    const select = byId("under-which"), was = select.value;
    select.replaceChildren(el("option", { value: "" }, this.layers.length ? "hillshade alone" : "hillshade alone (plan for more)"),
      ...this.layers.map((one) => el("option", { value: one.id }, one.unit ? `${one.title}, ${one.unit}` : one.title)));
    select.value = this.layers.some((one) => one.id === was) ? was : "";
    if (was) await this.choose();
  }

  async choose() {
    const chosen = this.layers.find((one) => one.id === byId("under-which").value);
    const number = ++this.asked;
    this.say(null);
    let layer = null, key = [];
    try {
      if (chosen?.kind === "picture") {
        const about = await get(`/api/under/pictures/${chosen.id}/about`);
        layer = this.picture(chosen.id, about.extent, 0.1);
        layer.setOpacity(byId("under-strength").value / 100);
        key = about.key;
      } else if (chosen) {
        layer = this.lines((await get(`/api/under/lines/${chosen.id}`)).features, dotted, 0.3);
      }
    } catch (refused) {
      if (number === this.asked) this.say(refused);
    }
    if (number !== this.asked) return; // another one was chosen meanwhile
    if (this.plan) this.map.removeLayer(this.plan);
    this.plan = layer;
    if (layer) this.map.addLayer(layer);
    byId("under-strength-line").hidden = chosen?.kind !== "picture";
    byId("under-key").replaceChildren(...key.map(([colour, words]) => {
      const mark = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      for (const [name, value] of Object.entries({ width: 16, height: 16, viewBox: "0 0 16 16", "aria-hidden": "true" })) mark.setAttribute(name, value);
      const box = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      for (const [name, value] of Object.entries({ width: 16, height: 16, fill: colour })) box.setAttribute(name, value);
      mark.append(box);
      return el("li", {}, mark, " ", words);
    }));
  }
}
