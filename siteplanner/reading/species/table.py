"""The species table: who each species is, and what ground it stands.

A CSV or XLSX with one row a species. Columns on tolerances are headed by a layer's name, a
point, and the unit in brackets, one number a cell, empty for no limit::

    slope thrives to [°]    winter_minimum dies below [°F]    drainage_class thrives in

Units are converted to the layer's (see ``units``). Any layer may be a factor, a plugin's too.
Numeric points are ``dies below``, ``thrives from``, ``thrives to`` and ``dies above``; for
layers of categories ``thrives in`` and ``survives in`` hold class names divided by ";".

A column headed by a layer or a fact and the word ``source`` (``soil_ph source``) says where the
values beside it come from; its text begins with one of ``EVIDENCE``. Text columns that are
headed otherwise, in one word, pass through as facts of their own. ``seed_facts`` and ``nature``
say which facts there are, and which of them may share a source (``gathering source``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, near
from siteplanner.base.units import converter
from siteplanner.reading.files.numbers import with_plain_numbers
from siteplanner.reading.files.sheet import read_sheet
from siteplanner.reading.species import nature, seed_facts
from siteplanner.reading.species.cells import numbers_of
from siteplanner.reading.species.codes import species_codes
from siteplanner.site.planting import Role

NUMERIC_POINTS = ("dies below", "thrives from", "thrives to", "dies above")
CLASS_POINTS = ("thrives in", "survives in")
ROLES: tuple[str, ...] = get_args(Role)
#: Words that may head a column of sources for several facts.
SOURCE_GROUPS = seed_facts.SOURCE_GROUPS | nature.SOURCE_GROUPS
EVIDENCE = ("published", "common practice", "from memory")
REQUIRED = ("botanical_name", "common_name", "roles", "expected_survival")
HEADER = re.compile(
    r"^(?P<layer>[a-z][a-z0-9_]*) (?P<point>"
    + "|".join(NUMERIC_POINTS + CLASS_POINTS)
    + r")(?: \[(?P<unit>[^\]]*)\])?$"
)

#: Facts with a length, which a header may also give in another unit: ``mature_height [ft]``.
LENGTHS = ("mature_height", "crown", "spacing")
LENGTH = re.compile(r"^(?P<fact>" + "|".join(LENGTHS) + r") \[(?P<unit>[^\]]*)\]$")
OWN_NUMBERS = {
    **{f"{fact}_m": (0.01, 150.0) for fact in LENGTHS},
    "seedling_dies_below_c": (-60.0, 20.0),
}
#: Facts that are kept as text when the table has them.
PASSED = ("growth_rate", "life_span", "shade", "salt", "wind", "source_note", "nursery_note")


@dataclass(frozen=True)
class SpeciesTable:
    """The table as read: ``facts`` one row a species, ``tolerances`` by layer.

    ``facts`` has ``botanical_name, code`` (see :func:`species_codes`), ``common_name, roles`` (a
    tuple), ``expected_survival`` (0-1),
    ``mature_height_m, crown_m, spacing_m`` (NaN when unknown), ``cautions``, ``evidence``, the
    columns of ``seed_facts`` and ``nature`` and those of ``PASSED`` that the table has.
    ``points[layer]`` is float64 (species, 4) for numeric layers, infinite where there is no
    limit; ``classes[layer]`` maps each of the points ``thrives in`` and ``survives in`` to a
    tuple of class names a species, None where nothing is said. ``survival_on_ground``
    holds what was learnt by species and kind of ground. ``sources`` has the text of each
    ``… source`` column.
    """

    path: Path
    facts: pd.DataFrame
    points: dict[str, NDArray[np.float64]]
    classes: dict[str, dict[str, tuple[tuple[str, ...] | None, ...]]]
    units: dict[str, str]
    sources: pd.DataFrame = field(default_factory=pd.DataFrame)
    survival_on_ground: Mapping[tuple[str, str], float] = field(default_factory=dict)

    def survival_on(self, ground: str) -> NDArray[np.float64]:
        """Expected survival of each species on a kind of ground, 0-1.

        What was learnt there goes first, then the least that the table gives for any of the
        ground's marks, then ``expected_survival``.
        """
        known = self.survival_on_ground
        columns = [f"survival_on_{mark}" for mark in ground.split()]
        on_marks = self.facts[[c for c in columns if c in self.facts]].min(axis=1)
        shares = on_marks.fillna(self.facts["expected_survival"])
        names = zip(self.facts["botanical_name"], shares, strict=True)
        return np.array([known.get((name, ground), share) for name, share in names])

    @property
    def factors(self) -> list[str]:
        """Names of the layers that the tolerances speak of."""
        return [*self.points, *self.classes]


def read_species(path: Path, notes: list[str] | None = None) -> SpeciesTable:
    """Read a species table; decimal commas and lone dashes are listed in ``notes``.

    Raises :class:`~siteplanner.InputError` with every error in it: missing columns, a
    species named twice, numbers that are none, points out of order.
    """
    raw = read_sheet(path).astype(object)
    errors = Errors()
    for column in REQUIRED:
        if column not in raw:
            errors.add(path, column, "this column is missing", near(column, raw.columns))
    if raw.empty:
        errors.add(path, "", "it lists no species", "write one row for each species")
    errors.raise_any()
    said = [] if notes is None else notes
    raw = with_plain_numbers(path.name, raw, raw.columns, raw["botanical_name"], said).fillna("")
    raw = _lengths(path, raw, errors)
    facts = _facts(path, raw, errors)
    points, classes, units = _tolerances(path, raw, errors)
    sources = _sources(path, raw, [*points, *classes], errors)
    errors.raise_any()
    return SpeciesTable(path, facts, points, classes, units, sources)


def _lengths(path: Path, raw: pd.DataFrame, errors: Errors) -> pd.DataFrame:
    """Bring lengths that are given in another unit to metres, under their usual names."""
    renamed = {}
    for header in raw.columns:
        match = LENGTH.match(header)
        if match is None:
            continue
        convert = converter(match["unit"], "m")
        if convert is None:
            errors.add(
                path,
                repr(header),
                f"{match['unit']!r} is not a unit of length",
                "give it in m, cm, ft or in",
            )
            continue
        numbers = pd.to_numeric(raw[header], errors="coerce").to_numpy(dtype=np.float64)
        metres = [f"{v:.4g}" if np.isfinite(v) else "" for v in convert(numbers)]
        raw[header] = np.where(np.isfinite(numbers), metres, raw[header])
        renamed[header] = f"{match['fact']}_m"
    return raw.rename(columns=renamed)


def _sources(path: Path, raw: pd.DataFrame, layers: list[str], errors: Errors) -> pd.DataFrame:
    """Where values come from, one column a layer or fact."""
    found = {}
    for header in raw.columns:
        if not header.endswith(" source"):
            continue
        column = header.removesuffix(" source")
        if column not in layers and column not in raw and column not in SOURCE_GROUPS:
            errors.add(
                path,
                repr(header),
                f"it is the source of {column!r}, which is not a column or layer",
                near(column, [*layers, *raw.columns, *SOURCE_GROUPS]),
            )
        for name, text in zip(raw["botanical_name"], raw[header], strict=True):
            if text and not text.startswith(EVIDENCE):
                errors.add(
                    path,
                    f"{name}, {header}",
                    f"{text!r} does not say what kind of source it is",
                    "begin it with 'published: …', 'common practice' or 'from memory'",
                )
        found[column] = raw[header]
    return pd.DataFrame(found, index=raw.index).reset_index(drop=True)


def _facts(path: Path, raw: pd.DataFrame, errors: Errors) -> pd.DataFrame:
    names = raw["botanical_name"]
    for row in raw.index[names == ""]:
        errors.add(path, f"row {row + 2}, botanical_name", "it is empty", "name the species")
    for name in sorted(set(names[names.duplicated() & (names != "")])):
        errors.add(path, "botanical_name", f"{name!r} is listed twice", "keep one row of it")
    survival = pd.to_numeric(raw["expected_survival"], errors="coerce")
    for row in raw.index[~survival.between(0.05, 1)]:
        errors.add(
            path,
            f"{names[row]}, expected_survival",
            f"{raw['expected_survival'][row]!r} is not valid",
            "write the share expected to live, 0.05 to 1",
        )
    own = numbers_of(path, raw, OWN_NUMBERS, errors)
    roles = raw["roles"].map(lambda t: tuple(r.strip() for r in t.split(";") if r.strip()))
    for row in raw.index:
        for role in roles[row]:
            if role not in ROLES:
                errors.add(
                    path, f"{names[row]}, roles", f"{role!r} is not a role", near(role, ROLES)
                )
    blank = pd.Series("", index=raw.index)
    evidence = raw.get("evidence", blank)
    for row in raw.index[~evidence.isin(["", *EVIDENCE])]:
        errors.add(
            path,
            f"{names[row]}, evidence",
            f"{evidence[row]!r} is not valid",
            near(evidence[row], EVIDENCE),
        )
    facts = pd.DataFrame(
        {
            "botanical_name": names,
            "code": species_codes(names),
            "common_name": raw["common_name"],
            "roles": roles,
            "expected_survival": survival,
            **own,
            "evidence": evidence.replace("", "from memory"),
        }
    )
    known = nature.nature_facts(path, raw, errors)
    facts["cautions"] = nature.with_harm(raw.get("cautions", blank), known)
    passed = raw[[c for c in PASSED if c in raw]]
    facts = facts.join([seed_facts.nursery_facts(path, raw, errors), known, passed])
    return facts.reset_index(drop=True)


def _tolerances(
    path: Path, raw: pd.DataFrame, errors: Errors
) -> tuple[
    dict[str, NDArray[np.float64]],
    dict[str, dict[str, tuple[tuple[str, ...] | None, ...]]],
    dict[str, str],
]:
    points: dict[str, NDArray[np.float64]] = {}
    classes: dict[str, dict[str, tuple[tuple[str, ...] | None, ...]]] = {}
    units: dict[str, str] = {}
    for header in raw.columns:
        match = HEADER.match(header)
        if match is None:
            if " " in header and not header.endswith(" source"):
                errors.add(
                    path,
                    repr(header),
                    "it is not a fact or a tolerance",
                    "name a tolerance 'layer point [unit]', such as 'slope thrives to [°]'",
                )
            continue
        layer, point, unit = match["layer"], match["point"], match["unit"]
        if unit and units.setdefault(layer, unit) != unit:
            errors.add(
                path,
                repr(header),
                f"{layer} has two units, {units[layer]} and {unit}",
                "use one unit for each layer",
            )
        if point in CLASS_POINTS:
            lists = classes.setdefault(layer, {p: (None,) * len(raw) for p in CLASS_POINTS})
            lists[point] = tuple(
                tuple(w.strip().lower() for w in text.split(";") if w.strip()) or None
                for text in raw[header]
            )
            continue
        cells = raw[header].to_numpy(dtype=object)
        numbers = pd.to_numeric(cells, errors="coerce").astype(np.float64)
        for row in np.flatnonzero((cells != "") & ~np.isfinite(numbers)):
            errors.add(
                path,
                f"{raw['botanical_name'].iloc[row]}, {header}",
                f"{cells[row]!r} is not a number",
                "write a number with a decimal point, or leave it empty for no limit",
            )
        place = NUMERIC_POINTS.index(point)
        table = points.setdefault(
            layer, np.tile(np.array([-np.inf, -np.inf, np.inf, np.inf]), (len(raw), 1))
        )
        table[:, place] = np.where(np.isnan(numbers), -np.inf if place < 2 else np.inf, numbers)
    for layer in sorted(set(points) & set(classes)):
        errors.add(path, layer, "it has both numbers and classes", "keep one of the two")
    for layer, table in points.items():
        # A missing inner point makes the step sharp, at the outer one; a missing outer point
        # means that the species never dies of it, yet thrives only within the inner one.
        table[:, 1] = np.where(np.isinf(table[:, 1]), table[:, 0], table[:, 1])
        table[:, 2] = np.where(np.isinf(table[:, 2]), table[:, 3], table[:, 2])
        for row in np.flatnonzero((table[:, 1:] < table[:, :-1]).any(axis=1)):
            errors.add(
                path,
                f"{raw['botanical_name'].iloc[row]}, {layer}",
                "the points are not in order",
                "they must rise: dies below, thrives from, thrives to, dies above",
            )
    return points, classes, units
