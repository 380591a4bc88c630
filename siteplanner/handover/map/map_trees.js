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
  const ends = [], ofBlock = plan.blocks.map(() => []); // places of a block's rows
  plan.trees.rows.reduce((sum, run, k) => {
    ofBlock[run[0]].push(k);
    ends.push(sum + run[2]);
    return sum + run[2];
  }, 0);
  const boxes = plan.trees.rows.map((run, k) => { // of rows, on the world square: west, north, east, south
    const box = [1, 1, 0, 0];
    for (let i = ends[k] - run[2]; i < ends[k]; i++) {
      box[0] = Math.min(box[0], x[i]);
      box[1] = Math.min(box[1], y[i]);
      box[2] = Math.max(box[2], x[i]);
      box[3] = Math.max(box[3], y[i]);
    }
    return box;
  });
  const [year, mother] = ["year", "mother"].map((key) => plan.trees[key] && unpacked(plan.trees[key]));
  return { x, y, species: unpacked(plan.trees.species), year, mother, ends, boxes, ofBlock, rows: plan.trees.rows };
}

/* Place of tree i's row among the rows, by bisection. */
function placeOfRow(trees, i) {
  let low = 0, high = trees.ends.length - 1;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (trees.ends[middle] > i) high = middle; else low = middle + 1;
  }
  return low;
}
/* Row of tree i: [index of block, row, trees, name where it is not the number]. */
const rowOf = (trees, i) => trees.rows[placeOfRow(trees, i)];
const nameOf = (row) => String(row[3] ?? row[1]);
const firstOf = (trees, k) => trees.ends[k] - trees.rows[k][2];

/* A species' sign as a small canvas, drawn once: thousands of trees are stamps of it. */
function stampOf(species, radius, ratio) {
  const half = Math.ceil((1.35 * radius + 1) * ratio), made = document.createElement("canvas");
  made.width = made.height = 2 * half;
  const pen = made.getContext("2d");
  pen.setTransform(ratio * radius, 0, 0, ratio * radius, half, half);
  for (const mark of species.marks) {
    const path = new Path2D(mark.path);
    pen.fillStyle = mark.fill === "none" ? "#0000" : mark.fill;
    pen.fill(path);
    pen.strokeStyle = mark.edge;
    pen.lineWidth = Math.max(mark.line, 0.7 / radius);
    pen.stroke(path);
  }
  return made;
}

/* Pixels between trees from which rows of all blocks have their numbers: before, they would hide all. */
const MARKED = 8;

/* A layer that draws the trees in view when they are far enough apart to be told apart. */
const TreeLayer = L.Renderer.extend({
  initialize(plan, options) {
    L.Renderer.prototype.initialize.call(this, options);
    this.trees = readTrees(plan);
    this.kinds = plan.species;
    this.drops = plan.blocks.map((block) => block.drops || []);
    this.picked = null; // index of the block that is shown from afar too
    this.spacing = Math.min(...plan.zones.map((zone) => zone.spacing_m || Infinity), 10);
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
  radius() { return Math.max(1.2, Math.min(9, 0.36 * this.pixelsApart())); },
  /* Pixels of the canvas to one of the page: more on paper, which is finer than a screen. */
  ratio() { return document.documentElement.classList.contains("on-paper") ? 3 : window.devicePixelRatio || 1; },
  pick(block) {
    this.picked = block;
    if (this._map) this._update();
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const box = this._bounds, size = box.getSize(), ratio = this.ratio();
    const canvas = this._container;
    L.DomUtil.setPosition(canvas, box.min);
    canvas.width = Math.round(ratio * size.x);
    canvas.height = Math.round(ratio * size.y);
    canvas.style.width = size.x + "px";
    canvas.style.height = size.y + "px";
    const close = this.shown();
    if (!close && this.picked === null) return;
    this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    this._draw(box.min.add(this._map.getPixelOrigin()), size, close);
  },
  /* Draw rows, trees and signs of all blocks, or of the picked one alone where it is not close. */
  _draw(corner, size, close) {
    const { trees } = this, r = this.radius(), apart = this.pixelsApart();
    const world = this._map.options.crs.scale(this._map.getZoom());
    const at = (i) => [trees.x[i] * world - corner.x, trees.y[i] * world - corner.y];
    const inView = ([x, y], rim) => x > -rim && y > -rim && x < size.x + rim && y < size.y + rim;
    const inSight = (k) => {
      const box = trees.boxes[k], rim = 60;
      return box[2] * world - corner.x > -rim && box[3] * world - corner.y > -rim &&
        box[0] * world - corner.x < size.x + rim && box[1] * world - corner.y < size.y + rim;
    };
    const seen = this._map.containerPointToLayerPoint([0, 0]).add(this._map.getPixelOrigin()).subtract(corner);
    const sight = L.bounds(seen, seen.add(this._map.getSize()));
    const marks = new RowMarks(this.pen, trees, this.drops, at, (place) => inView(place, 40), sight, apart, r);
    const draw = (blocks, strength) => {
      this.pen.globalAlpha = strength;
      const rows = blocks.flatMap((block) => trees.ofBlock[block].filter(inSight));
      drawRowLines(this.pen, trees, rows, at);
      this._stamp(rows, at, (place) => inView(place, 2 * r), r);
      if (strength === 1 && (apart >= MARKED || blocks.length === 1)) for (const block of blocks) marks.draw(block);
    };
    const all = [...trees.ofBlock.keys()], { picked } = this;
    if (close) draw(all.filter((block) => block !== picked), picked === null ? 1 : 0.35);
    if (picked !== null) draw([picked], 1);
    this.pen.globalAlpha = 1;
  },
  _stamp(rows, at, inView, r) {
    const { pen, trees, kinds } = this, ratio = this.ratio(), size = `${r} ${ratio}`;
    if (size !== this.stampsFor) this.stamps = kinds.map((kind) => (r < 2.4 ? null : stampOf(kind, r, ratio)));
    this.stampsFor = size;
    for (const k of rows) {
      for (let i = firstOf(trees, k); i < trees.ends[k]; i++) {
        const place = at(i), kind = trees.species[i], stamp = this.stamps[kind];
        if (!inView(place)) continue;
        if (stamp) {
          const half = stamp.width / ratio / 2;
          pen.drawImage(stamp, place[0] - half, place[1] - half, 2 * half, 2 * half);
        } else { // too small for a sign: a dot
          pen.fillStyle = kinds[kind].colour;
          pen.fillRect(place[0] - r, place[1] - r, 2 * r, 2 * r);
        }
      }
    }
  },

  /* Index of the shown tree nearest to a place, within some pixels; -1 when there is none. */
  near(latlng, pixels) {
    const all = this.shown(), { trees } = this;
    if (!all && (this.picked === null || this.pixelsApart() < 3)) return -1;
    const mine = all ? null : trees.ofBlock[this.picked];
    if (!all && !mine.length) return -1;
    const from = all ? 0 : firstOf(trees, mine[0]), to = all ? trees.x.length : trees.ends[mine.at(-1)];
    return this.nearest(latlng, pixels, from, to);
  },
  /* Index of the tree nearest to a place among those `from` … `to`, within some pixels; or -1. */
  nearest(latlng, pixels, from, to) {
    const { trees } = this, world = this._map.options.crs.scale(this._map.getZoom());
    const at = this._map.project(latlng);
    let best = -1, least = pixels * pixels;
    for (let i = from; i < to; i++) {
      const dx = trees.x[i] * world - at.x, dy = trees.y[i] * world - at.y;
      const far = dx * dx + dy * dy;
      if (far < least) { least = far; best = i; }
    }
    return best;
  },
  /* Species of the trees within bounds, in the order of the plan. */
  kindsIn(bounds) {
    const { trees } = this, found = new Set(), scale = L.CRS.EPSG3857.scale(0);
    const [low, high] = [bounds.getNorthWest(), bounds.getSouthEast()].map((corner) =>
      L.CRS.EPSG3857.latLngToPoint(corner, 0).divideBy(scale));
    for (let i = 0; i < trees.x.length; i++) {
      if (trees.x[i] > low.x && trees.x[i] < high.x && trees.y[i] > low.y && trees.y[i] < high.y) found.add(trees.species[i]);
    }
    return [...found].sort((a, b) => a - b);
  },
  latLng(i) {
    const world = L.CRS.EPSG3857.scale(0);
    return L.CRS.EPSG3857.pointToLatLng(L.point(this.trees.x[i] * world, this.trees.y[i] * world), 0);
  },
});
