/* The plan's trees under what is drawn, as soon as it is known where they stand. */

import { byId, get } from "/page/server.js";
import { trees } from "/page/planning.js";

const decoded = (text) => new Float32Array(Uint8Array.from(atob(text), (one) => one.charCodeAt(0)).buffer);

export class Trees {
  constructor(map, projection) {
    this.map = map;
    this.colours = [];
    this.layer = new ol.layer.Image({ zIndex: 0.4, visible: byId("trees").checked, source: new ol.source.ImageCanvas({
      projection, ratio: 1, interpolate: false,
      canvasFunction: (extent, resolution, ratio, [width, height]) => this.drawn(extent, resolution, ratio, width, height),
    }) });
    map.addLayer(this.layer);
  }

  async start() {
    byId("trees").addEventListener("change", (event) => this.layer.setVisible(event.target.checked));
    window.addEventListener("trees", () => this.show());
    await this.show();
  }

  async show() {
    const wanted = trees;
    if (!wanted) return;
    try {
      const answer = await get("/api/trees");
      if (wanted !== trees) return; // others are known meanwhile
      [this.east, this.north] = answer.origin;
      this.colours = answer.trees.map(({ colour, at }) => [colour, decoded(at)]);
    } catch {
      if (wanted !== trees) return;
      this.colours = []; // there is no plan, or none that can be read: what shows it says so
    }
    this.layer.getSource().changed();
    this.map.once("rendercomplete", () => { this.map.getTargetElement().dataset.trees = wanted; });
    this.map.render();
  }

  /* A dot a tree, about as wide as a young crown, never too small to see. */
  drawn([west, , , north], resolution, ratio, width, height) {
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [width, height];
    const pen = canvas.getContext("2d"), scale = ratio / resolution;
    const side = Math.max(1.6 * ratio, 1.6 * scale);
    for (const [colour, at] of this.colours) {
      pen.fillStyle = colour;
      for (let n = 0; n < at.length; n += 2) {
        const x = (this.east + at[n] - west) * scale, y = (north - this.north - at[n + 1]) * scale;
        if (x > -side && y > -side && x < width + side && y < height + side) pen.fillRect(x - side / 2, y - side / 2, side, side);
      }
    }
    return canvas;
  }
}
