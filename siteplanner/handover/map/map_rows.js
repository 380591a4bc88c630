/* What is written on rows: their lines, numbers and pegs, START and the drop points. */
"use strict";

function drawRowLines(pen, trees, rows, at) {
  pen.beginPath();
  for (const k of rows) {
    for (let i = firstOf(trees, k); i < trees.ends[k]; i++) {
      if (i === firstOf(trees, k)) pen.moveTo(...at(i)); else pen.lineTo(...at(i));
    }
  }
  pen.strokeStyle = "#0000004d";
  pen.lineWidth = 1;
  pen.stroke();
}

/* Pixels between trees from which a row's number has room between them. */
const BETWEEN = 12;

/* Writes on the canvas and keeps apart what is written: what comes first has its place. */
class RowMarks {
  constructor(pen, trees, drops, at, inView, sight, apart, radius) {
    Object.assign(this, { pen, trees, drops, at, inView, sight, apart, radius });
    this.cells = new Map(); // boxes that are taken, by squares of the screen
  }
  /* Draw a block's marks; those of blocks drawn before it may lie beneath. */
  draw(block) {
    const rows = this.trees.ofBlock[block];
    if (!rows.length) return;
    this.start(rows[0]);
    for (const [letter, row] of this.drops[block]) this.drop(rows[row], letter);
    for (const k of rows) this.ends(k);
    if (this.apart >= BETWEEN) for (const k of rows) this.entering(k);
  }
  /* Where a row comes into sight, its end being out of it: the number, between its first trees there. */
  entering(k) {
    const { trees, sight } = this, first = firstOf(trees, k), last = trees.ends[k] - 1, rim = 16;
    const box = trees.boxes[k];
    if (box[0] === box[2] && box[1] === box[3]) return;
    const visible = ([x, y]) => x > sight.min.x + rim && x < sight.max.x - rim && y > sight.min.y + rim && y < sight.max.y - rim;
    for (const [from, step] of [[first, 1], [last, -1]]) {
      if (visible(this.at(from))) continue;
      let i = from;
      while (i >= first && i <= last && !visible(this.at(i))) i += step;
      if (i < first || i > last || i + step < first || i + step > last) continue;
      const [a, b] = [this.at(i), this.at(i + step)];
      this.write(nameOf(trees.rows[k]), (a[0] + b[0]) / 2, (a[1] + b[1]) / 2, 12);
    }
  }
  /* The first and last tree of a row, each with the way out of the row. */
  tips(k) {
    const first = firstOf(this.trees, k), last = this.trees.ends[k] - 1;
    const way = (from, to) => {
      const [a, b] = [this.at(from), this.at(to)], long = Math.hypot(a[0] - b[0], a[1] - b[1]);
      return [a, long ? [(a[0] - b[0]) / long, (a[1] - b[1]) / long] : [-1, 0]];
    };
    return first === last ? [way(first, first)] : [way(first, first + 1), way(last, last - 1)];
  }
  /* Pegs at both ends of a row, half a step out, with its number behind each where there is room. */
  ends(k) {
    const { pen } = this, name = nameOf(this.trees.rows[k]);
    for (const [[x, y], [outX, outY]] of this.tips(k)) {
      if (!this.inView([x, y])) continue;
      const off = this.radius + 4;
      pen.fillStyle = "#fff";
      pen.strokeStyle = "#1a1a1a";
      pen.lineWidth = 1;
      pen.beginPath();
      pen.rect(x + off * outX - 2, y + off * outY - 2, 4, 4);
      pen.fill();
      pen.stroke();
      for (const more of [0, 14, 28]) {
        const far = off + 5 + 4 * name.length * Math.abs(outX) + 6 * Math.abs(outY) + more;
        if (this.write(name, x + far * outX, y + far * outY, 12)) break;
      }
    }
  }
  /* The first peg: a ring around the first tree, and the word where there is room. */
  start(k) {
    const [[[x, y]]] = this.tips(k), { pen } = this, r = Math.max(this.radius + 4, 13);
    if (!this.inView([x, y])) return;
    for (const [colour, width] of [["#fff", 6], ["#1a1a1a", 3]]) {
      pen.beginPath();
      pen.arc(x, y, r, 0, 2 * Math.PI);
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.stroke();
    }
    const spots = [[-1, -1], [1, -1], [0, -1.2], [1, 1], [-1, 1], [0, 1.2]].map(([dx, dy]) =>
      [x + dx * (r + 20), y + dy * (r + 5)]);
    spots.some(([left, top]) => this.write("START", left, top, 14)) || this.write("START", ...spots[0], 14, true);
    this.take(x, y, r, r);
  }
  drop(k, letter) {
    const [[[x, y]]] = this.tips(k), { pen } = this;
    if (!this.inView([x, y])) return;
    pen.beginPath();
    pen.arc(x, y, 9, 0, 2 * Math.PI);
    pen.fillStyle = "#fff";
    pen.fill();
    pen.strokeStyle = "#1a1a1a";
    pen.lineWidth = 2;
    pen.stroke();
    this.take(x, y, 10, 10);
    this.write(letter, x, y, 12, true);
  }
  /* Write words around a place, unless that is taken; say whether they were written. */
  write(words, x, y, size, must = false) {
    const { pen } = this, halfX = 0.33 * size * words.length + 1, halfY = 0.5 * size;
    if (!must && !this.free(x, y, halfX, halfY)) return false;
    this.take(x, y, halfX, halfY);
    pen.font = `600 ${size}px system-ui, sans-serif`;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.lineJoin = "round";
    pen.strokeStyle = "#fff";
    pen.lineWidth = 4;
    pen.strokeText(words, x, y);
    pen.fillStyle = "#1a1a1a";
    pen.fillText(words, x, y);
    return true;
  }
  squares(x, y, halfX, halfY) {
    const found = [], side = 48;
    for (let a = Math.floor((x - halfX) / side); a <= Math.floor((x + halfX) / side); a++) {
      for (let b = Math.floor((y - halfY) / side); b <= Math.floor((y + halfY) / side); b++) found.push(`${a} ${b}`);
    }
    return found;
  }
  free(x, y, halfX, halfY) {
    return this.squares(x, y, halfX, halfY).every((name) => (this.cells.get(name) || []).every((box) =>
      Math.abs(box[0] - x) >= box[2] + halfX || Math.abs(box[1] - y) >= box[3] + halfY));
  }
  take(x, y, halfX, halfY) {
    for (const name of this.squares(x, y, halfX, halfY)) {
      if (!this.cells.has(name)) this.cells.set(name, []);
      this.cells.get(name).push([x, y, halfX, halfY]);
    }
  }
}
