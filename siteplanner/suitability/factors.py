"""Ties the tolerances of the species table to the layers they speak of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, near
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.renamed import instead
from siteplanner.base.units import converter
from siteplanner.reading.species.table import CLASS_POINTS, SpeciesTable

#: What a place is worth where a species survives but does not thrive, of 100.
SURVIVES = 50.0


@dataclass(frozen=True)
class Factor:
    """One layer's tolerances of all species as look-up values (see ``score_species``).

    Numeric: ``points`` (species, 4). Categories: ``scores`` (species, classes), 0-100.
    """

    layer: str
    points: NDArray[np.float64] | None
    scores: NDArray[np.float32] | None

    @property
    def species(self) -> int:
        """Number of species."""
        table = self.scores if self.points is None else self.points
        assert table is not None
        return len(table)


def factors(table: SpeciesTable, infos: Mapping[str, LayerInfo]) -> list[Factor]:
    """Tie the tolerances to the layers they speak of.

    Raises :class:`~siteplanner.InputError` for a layer that nobody makes, a unit other
    than the layer's, numbers given for categories or the reverse, and unknown class names.
    """
    errors = Errors()
    found = []
    for layer in table.factors:
        if layer not in infos:
            errors.add(table.path, layer, "no layer has that name", instead(layer, infos))
            continue
        info = infos[layer]
        given = table.units.get(layer, info.unit)
        convert = converter(given, info.unit)
        if convert is None:
            errors.add(
                table.path,
                layer,
                f"its unit is given as {given}",
                f"give it in {info.unit}, and name the column so",
            )
        if layer in table.points:
            if info.classes:
                errors.add(
                    table.path,
                    layer,
                    "it has classes, not numbers",
                    "use the columns 'thrives in' and 'survives in'",
                )
            points = table.points[layer]
            points = convert(points) if convert else points
            _must_be_possible(table, layer, info, points, errors)
            found.append(Factor(layer, points, None))
        else:
            if not info.classes:
                errors.add(
                    table.path,
                    layer,
                    "it has numbers, not classes",
                    "use the columns 'thrives from', 'dies above' and so on",
                )
                continue
            found.append(Factor(layer, None, _class_scores(table, layer, info, errors)))
    errors.raise_any()
    return found


def _must_be_possible(
    table: SpeciesTable,
    layer: str,
    info: LayerInfo,
    points: NDArray[np.float64],
    errors: Errors,
) -> None:
    """Hold points to what can be at all, in units that have an end."""
    if info.unit.startswith(("degrees", "percent of volume", "pH")):
        low, high = info.valid
    elif info.unit == "°C":
        low, high = -90, 70
    else:
        return
    wrong = np.isfinite(points) & ((points < low) | (points > high))
    for row in np.flatnonzero(wrong.any(axis=1)):
        errors.add(
            table.path,
            f"{table.facts['botanical_name'][row]}, {layer}",
            f"{points[row][wrong[row]][0]:g} is not possible",
            f"write numbers from {low:g} to {high:g} {info.unit}, or leave it empty for no limit",
        )


def _class_scores(
    table: SpeciesTable, layer: str, info: LayerInfo, errors: Errors
) -> NDArray[np.float32]:
    lists = table.classes[layer]
    scores = np.zeros((len(table.facts), len(info.classes)), dtype=np.float32)
    for row, name in enumerate(table.facts["botanical_name"]):
        if lists["thrives in"][row] is None and lists["survives in"][row] is None:
            scores[row] = 100.0
        for point, value in zip(CLASS_POINTS, (100.0, SURVIVES), strict=True):
            for word in lists[point][row] or ():
                if word not in info.classes:
                    errors.add(
                        table.path,
                        f"{name}, {layer} {point}",
                        f"{word!r} is not a class of that layer",
                        near(word, info.classes),
                    )
                else:
                    code = info.classes.index(word)
                    scores[row, code] = max(scores[row, code], value)
    return scores
