/* Every tree of the plan on one canvas, from arrays of small integers. */
"use strict";

function unpacked(text) {
  const raw = atob(text), bytes = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  return bytes;
}

/* Trees as positions on the world square (0-1 from the north-west), with species and row. */
function readTrees(plan) {
  const [west, south, width, height] = plan.frame;
  const shorts = (text) => new Uint16Array(unpacked(text).buffer);
  const px = shorts(plan.trees.x), py = shorts(plan.trees.y);
  const half = Math.PI * 6378137;
  const x = new Float64Array(px.length), y = new Float64Array(px.length);
  for (let i = 0; i < px.length; i++) {
    x[i] = (west + (px[i] / 65535) * width + half) / (2 * half);
    y[i] = (half - south - (py[i] / 65535) * height) / (2 * half);
  }
  const ends = [];
  plan.trees.rows.reduce((sum, run) => (ends.push(sum + run[2]), sum + run[2]), 0);
  const [year, mother] = ["year", "mother"].map((key) => plan.trees[key] && unpacked(plan.trees[key]));
  return { x, y, species: unpacked(plan.trees.species), year, mother, ends, rows: plan.trees.rows };
}

/* Row of tree i: [index of block, row, trees], by bisection. */
function rowOf(trees, i) {
  let low = 0, high = trees.ends.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (trees.ends[middle] > i) high = middle; else low = middle + 1;
  }
  return trees.rows[low];
}

/* Add a mark to a pen's path: its shape's corners for a radius of 1, y upwards; none is a circle. */
function traceMark(pen, corners, x, y, r) {
  if (!corners.length) {
    pen.moveTo(x + r, y);
    pen.arc(x, y, r, 0, 2 * Math.PI);
    return;
  }
  corners.forEach(([a, b], i) => (i ? pen.lineTo(x + a * r, y - b * r) : pen.moveTo(x + a * r, y - b * r)));
  pen.closePath();
}

/* A layer that draws the trees in view when they are far enough apart to be told apart. */
const TreeLayer = L.Renderer.extend({
  initialize(plan, options) {
    L.Renderer.prototype.initialize.call(this, options);
    this.trees = readTrees(plan);
    this.kinds = plan.species;
    this.markers = plan.markers;
    this.spacing = Math.min(...plan.zones.map((zone) => zone.spacing_m || Infinity), 10);
    /* Trees of one species lie together in `sorted`, so that each is drawn in one stroke. */
    const { species } = this.trees;
    const starts = new Uint32Array(this.kinds.length + 1);
    for (const kind of species) starts[kind + 1]++;
    for (let k = 0; k < this.kinds.length; k++) starts[k + 1] += starts[k];
    this.starts = starts.slice();
    this.sorted = new Uint32Array(species.length);
    const next = starts.slice();
    for (let i = 0; i < species.length; i++) this.sorted[next[species[i]]++] = i;
  },
  _initContainer() {
    this._container = document.createElement("canvas");
    this._container.setAttribute("aria-hidden", "true");
    this.pen = this._container.getContext("2d");
  },
  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },
  _updatePaths() {},

  /* Pixels on screen between neighbouring trees at the map's zoom. */
  pixelsApart() {
    const map = this._map, y = map.getSize().y / 2;
    const metres = map.distance(map.containerPointToLatLng([0, y]),
      map.containerPointToLatLng([100, y])) / 100;
    return this.spacing / metres;
  },
  shown() { return Boolean(this._map) && this.pixelsApart() >= 5; },
  radius() { return Math.max(1.6, Math.min(9, 0.36 * this.pixelsApart())); },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const box = this._bounds, size = box.getSize(), ratio = window.devicePixelRatio || 1;
    const canvas = this._container;
    L.DomUtil.setPosition(canvas, box.min);
    canvas.width = Math.round(ratio * size.x);
    canvas.height = Math.round(ratio * size.y);
    canvas.style.width = size.x + "px";
    canvas.style.height = size.y + "px";
    if (!this.shown()) return;
    this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    this._draw(box.min.add(this._map.getPixelOrigin()), size);
  },
  _draw(corner, size) {
    const { pen, trees } = this, r = this.radius();
    const world = this._map.options.crs.scale(this._map.getZoom());
    pen.lineWidth = r > 3 ? 1 : 0.5;
    pen.strokeStyle = "#1a1a1a";
    this.kinds.forEach((kind, k) => {
      pen.beginPath();
      for (let j = this.starts[k]; j < this.starts[k + 1]; j++) {
        const i = this.sorted[j];
        const x = trees.x[i] * world - corner.x, y = trees.y[i] * world - corner.y;
        if (x > -r && y > -r && x < size.x + r && y < size.y + r) {
          traceMark(pen, this.markers[kind.shape], x, y, r);
        }
      }
      pen.fillStyle = kind.colour;
      pen.fill();
      if (r > 2.2) pen.stroke();
    });
  },

  /* Index of the shown tree nearest to a place, within some pixels; -1 when there is none. */
  near(latlng, pixels) {
    if (!this.shown()) return -1;
    const { trees } = this, world = this._map.options.crs.scale(this._map.getZoom());
    const at = this._map.project(latlng);
    let best = -1, least = pixels * pixels;
    for (let i = 0; i < trees.x.length; i++) {
      const dx = trees.x[i] * world - at.x, dy = trees.y[i] * world - at.y;
      const far = dx * dx + dy * dy;
      if (far < least) { least = far; best = i; }
    }
    return best;
  },
  latLng(i) {
    const world = L.CRS.EPSG3857.scale(0);
    return L.CRS.EPSG3857.pointToLatLng(L.point(this.trees.x[i] * world, this.trees.y[i] * world), 0);
  },
});
