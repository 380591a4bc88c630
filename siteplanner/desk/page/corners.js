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

export function removeCorner(features, corner) {
  const least = (geometry) => ({ Point: 2, LineString: 3, MultiLineString: 3, MultiPoint: 2 })[geometry.getType()] || 4;
  const stuck = features.some((feature) => pieces(feature.getGeometry()).some((line) =>
    line.some((one) => same(one, corner)) && line.length < least(feature.getGeometry())));
  if (stuck) return false;
  changeAll(features, (line) => line.some((one) => same(one, corner)) ? line.filter((one) => !same(one, corner)) : line);
  return true;
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

/* List the corners of a feature. ``moving`` are the features that follow; ``edit`` wraps a change. */
export function showCorners(feature, moving, edit) {
  const box = byId("corner-list");
  box.replaceChildren();
  if (!feature) return;
  const lines = pieces(feature.getGeometry());
  const type = feature.getGeometry().getType();
  const rows = [];
  let number = 0;
  for (const line of lines) {
    line.forEach((corner, n) => {
      number += 1;
      if (number > MOST) return;
      rows.push(row(number, corner, line[n + 1] || (type.endsWith("Polygon") ? line[0] : null), moving, edit, type === "Point"));
    });
  }
  const head = el("tr", {}, ...["No.", "East, m", "North, m", "Change"].map((words) => el("th", { scope: "col" }, words)));
  box.append(el("table", {}, el("thead", {}, head), el("tbody", {}, ...rows)));
  if (number > MOST) box.append(el("p", {}, `The first ${MOST} of ${number} corners.`));
}

function row(number, corner, next, moving, edit, alone) {
  const input = (axis, words) => el("input", {
    type: "text", inputMode: "decimal", value: String(corner[axis]), "aria-label": `Corner ${number}, ${words}`,
    onchange: (event) => {
      const value = Number(event.target.value.trim().replace(",", "."));
      if (!Number.isFinite(value) || event.target.value.trim() === "") {
        event.target.value = String(corner[axis]);
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
