/* Corners by numbers, for those who cannot drag; neighbours that share a corner follow. */

import { byId, el } from "/page/server.js";

const MOST = 200;
const same = (a, b) => a[0] === b[0] && a[1] === b[1];

/* Give every line or open ring of coordinates to ``change``; rings are closed again. */
function mapped(coordinates, type, change) {
  if (type === "Point") return change([coordinates])[0];
  if (type === "LineString" || type === "MultiPoint") return change(coordinates);
  if (type === "Polygon") return coordinates.map((ring) => {
    const open = change(ring.slice(0, -1));
    return [...open, open[0]];
  });
  const inner = type.replace("Multi", "");
  return coordinates.map((part) => mapped(part, inner, change));
}

/* The lines and open rings of a geometry, in order. */
export function pieces(geometry) {
  const found = [];
  mapped(geometry.getCoordinates(), geometry.getType(), (line) => (found.push(line), line));
  return found;
}

function changeAll(features, change) {
  for (const feature of features) {
    const geometry = feature.getGeometry();
    let touched = false;
    const after = mapped(geometry.getCoordinates(), geometry.getType(), (line) => {
      const made = change(line);
      touched ||= made !== line;
      return made;
    });
    if (touched) geometry.setCoordinates(after);
  }
}

export function moveCorner(features, from, to) {
  changeAll(features, (line) => line.some((one) => same(one, from)) ? line.map((one) => (same(one, from) ? to : one)) : line);
}

/* Take a corner from every feature that has it; a hole or part that cannot spare it goes whole. */
export function removeCorner(features, corner) {
  const has = (line) => line.some((one) => same(one, corner));
  const without = (geometry) => {
    const type = geometry.getType(), single = type.replace("Multi", ""), least = { Point: 1, LineString: 2 }[single] || 4;
    const parts = type.startsWith("Multi") ? geometry.getCoordinates() : [geometry.getCoordinates()];
    const cut = (line) => {
      if (!has(line)) return line;
      const left = line.filter((one) => !same(one, corner));
      if (single === "Polygon" && left.length) {
        if (same(line[0], corner)) left.push(left[0]);
        else if (!same(left[0], left[left.length - 1])) left.push(left[0]);
      }
      return left.length < least ? null : left;
    };
    const after = parts.map((part) => {
      if (single === "Point") return same(part, corner) ? null : part;
      if (single === "LineString") return cut(part);
      const [outline, ...holes] = part.map(cut);
      return outline && [outline, ...holes.filter(Boolean)];
    }).filter(Boolean);
    return after.length === 0 ? null : type.startsWith("Multi") ? after : after[0];
  };
  const touched = features.filter((feature) => pieces(feature.getGeometry()).some(has));
  const made = touched.map((feature) => without(feature.getGeometry()));
  if (made.length === 0 || made.includes(null)) return false;
  touched.forEach((feature, n) => feature.getGeometry().setCoordinates(made[n]));
  return true;
}

/* Take out a hole (of a part) or a whole part. */
export function removePiece(feature, part, hole) {
  const geometry = feature.getGeometry(), multi = geometry.getType().startsWith("Multi");
  const parts = multi ? [...geometry.getCoordinates()] : [geometry.getCoordinates()];
  if (hole) parts[part] = parts[part].filter((_, n) => n !== hole);
  else parts.splice(part, 1);
  if (parts.length === 0) return false;
  geometry.setCoordinates(multi ? parts : parts[0]);
  return true;
}

/* The corner nearest to a place, null where none is within so many metres. */
export function cornerNear(features, [x, y], within) {
  let found = null, least = within;
  for (const feature of features) {
    for (const corner of pieces(feature.getGeometry()).flat()) {
      const far = Math.hypot(corner[0] - x, corner[1] - y);
      if (far <= least) [found, least] = [corner, far];
    }
  }
  return found;
}

/* Put a corner between two that follow each other, in every feature that has that edge. */
export function addCorner(features, a, b) {
  const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  for (const feature of features) {
    const closed = feature.getGeometry().getType().endsWith("Polygon");
    changeAll([feature], (line) => {
      const ends = closed ? line.length : line.length - 1;
      for (let n = 0; n < ends; n++) {
        const next = line[(n + 1) % line.length];
        if ((same(line[n], a) && same(next, b)) || (same(line[n], b) && same(next, a))) {
          return [...line.slice(0, n + 1), middle, ...line.slice(n + 1)];
        }
      }
      return line;
    });
  }
}

/* The pieces of a geometry with what they are: part and hole by number, and words. */
function named(geometry) {
  const type = geometry.getType(), multi = type.startsWith("Multi"), polygon = type.endsWith("Polygon");
  const parts = multi ? geometry.getCoordinates() : [geometry.getCoordinates()];
  return parts.flatMap((part, n) => {
    const words = parts.length > 1 ? `Part ${n + 1}` : "Outline";
    if (!polygon) return [{ line: type.endsWith("Point") ? [part] : part, part: n, hole: 0, words }];
    return part.map((ring, m) => ({ line: ring.slice(0, -1), part: n, hole: m, words: m ? `Hole ${m}${parts.length > 1 ? ` of part ${n + 1}` : ""}` : words }));
  });
}

/* List the corners of a feature. ``moving`` are the features that follow; ``edit`` wraps a change. */
export function showCorners(feature, moving, edit) {
  const box = byId("corner-list");
  const was = document.activeElement?.getAttribute("aria-label"), inside = box.contains(document.activeElement);
  box.replaceChildren();
  byId("corner-said").textContent = "";
  if (!feature) return;
  const type = feature.getGeometry().getType(), found = named(feature.getGeometry());
  const closed = type.endsWith("Polygon"), rows = [];
  const change = (act) => { if (edit(act) === false) byId("corner-said").textContent = "A shape has at least three corners, a line two. To be rid of it, Delete."; };
  let number = 0;
  for (const { line, part, hole, words } of found) {
    if (found.length > 1 && number < MOST) rows.push(el("tr", {}, el("th", { scope: "colgroup", colSpan: 3 }, words), el("td", {},
      el("button", { type: "button", "aria-label": `Remove ${words.toLowerCase()}`, onclick: () => change(() => removePiece(feature, part, hole)) }, "Remove"))));
    line.forEach((corner, n) => {
      number += 1;
      if (number > MOST) return;
      rows.push(row(number, corner, line[n + 1] || (closed ? line[0] : null), moving, change, type === "Point"));
    });
  }
  const head = el("tr", {}, ...["No.", "East, m", "North, m", "Change"].map((words) => el("th", { scope: "col" }, words)));
  box.append(el("table", {}, el("thead", {}, head), el("tbody", {}, ...rows)));
  if (number > MOST) box.append(el("p", {}, `The first ${MOST} of ${number} corners.`));
  if (inside && was) [...box.querySelectorAll("[aria-label]")].find((one) => one.getAttribute("aria-label") === was)?.focus();
}

/* To the millimetre; what is not changed stays as exact as it is. */
const shown = (metres) => String(Math.round(metres * 1000) / 1000);

function row(number, corner, next, moving, edit, alone) {
  const input = (axis, words) => el("input", {
    type: "text", inputMode: "decimal", value: shown(corner[axis]), "aria-label": `Corner ${number}, ${words}`,
    onchange: (event) => {
      const value = Number(event.target.value.trim().replace(",", "."));
      if (!Number.isFinite(value) || event.target.value.trim() === "") {
        event.target.value = shown(corner[axis]);
        return;
      }
      const to = [...corner];
      to[axis] = value;
      edit(() => moveCorner(moving, corner, to));
    },
  });
  const button = (words, label, act) => el("button", { type: "button", "aria-label": label, title: label, onclick: act }, words);
  return el("tr", {},
    el("td", {}, String(number)),
    el("td", {}, input(0, "east")),
    el("td", {}, input(1, "north")),
    el("td", {},
      next && button("+", `Add a corner after ${number}`, () => edit(() => addCorner(moving, corner, next))),
      alone ? null : button("−", `Remove corner ${number}`, () => edit(() => removeCorner(moving, corner)))));
}
