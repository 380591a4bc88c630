"""Reads the user's last word: zones drawn by hand, ground not to plant, and what belongs where.

Everything here is read from the site folder and never written there.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.cells import read_cells
from siteplanner.reading.files.drivers import DRIVER_ERRORS, NO_CRS, listening
from siteplanner.reading.files.features import POLYGONS, read_features, texts
from siteplanner.site.planting import Decisions
from siteplanner.site.site_file import Site

#: What is to be done with a piece of ground, and how the plan says it.
USES = {
    "plant": "planted as drawn",
    "planted": "planted already",
    "set aside": "set aside",
    "regenerate": "fenced and left to regenerate",
    "leave": "left as it is",
}


_COLUMNS = ("title", "use", "barred", "wanted", "community")


#: A zone's polygon is as in its plan when it differs by no more: m², or share of its area where
#: only its area is known (coordinates may have been rounded on the way).
_SAME_M2, _SAME_SHARE = 1.0, 1e-4
_LETTER = re.compile(r"^(?!X$|N$)[A-Z]{1,3}$")


@dataclass(frozen=True)
class Decided:
    """What the user decided.

    ``ground``: polygons with ``zone`` (letters), ``title``, ``use`` (of ``USES``), ``barred``
    and ``wanted`` (tuples of botanical names), ``community`` and ``changed`` (bool; False for a
    zone of a plan that is as the plan drew it). ``local``: botanical names that
    belong here; None when no list was given. ``native``: those that grow wild here, and are no
    weeds.
    """

    ground: gpd.GeoDataFrame
    local: frozenset[str] | None = None
    rules: Decisions = field(default_factory=Decisions)
    native: frozenset[str] = frozenset()

    @property
    def zones(self) -> gpd.GeoDataFrame:
        """The zones drawn by hand, in the order of the file."""
        return self.ground[self.ground["use"] == "plant"].reset_index(drop=True)

    @property
    def not_to_plant(self) -> shapely.Geometry:
        """Ground that is not planted in this plan."""
        return self.ground[self.ground["use"] != "plant"].union_all()


def read_decisions(
    site: Site,
    crs: pyproj.CRS | None,
    species: Collection[str],
    notes: list[str] | None = None,
) -> Decided:
    """Read the files that ``[decisions]`` names; what was passed over is told in ``notes``.

    Raises :class:`~siteplanner.InputError` with every error: a letter that is not valid
    or is used twice, a use, species or community that is not known.
    """
    rules = site.decisions
    errors = Errors()
    ground = _no_ground(crs)
    local = None
    if rules.zones:
        with errors.gather():
            ground = _ground(site, crs, species, [] if notes is None else notes)
    if rules.local:
        with errors.gather():
            path = site.folder / rules.local
            cells = read_cells(path, ["species"])
            local = frozenset(cells["species"])
    for name, shares in rules.communities.items():
        for one in sorted(set(shares) - set(species)):
            errors.add(
                site.path, f"decisions.communities.{name}", f"{one!r} is not in the species table",
                near(one, species),
            )  # fmt: skip
    errors.raise_any()
    native = frozenset(site.species.native) | (local or frozenset())
    return Decided(ground, local, rules, native)


def _no_ground(crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    columns = {"zone": [], **{c: [] for c in _COLUMNS}, "changed": np.zeros(0, dtype=bool)}
    return gpd.GeoDataFrame(columns, geometry=[], crs=crs)


def _ground(
    site: Site, crs: pyproj.CRS | None, species: Collection[str], notes: list[str]
) -> gpd.GeoDataFrame:
    path = site.folder / str(site.decisions.zones)
    layers = _layers(path)
    layer = site.decisions.layer
    if layer is None and "zones" in layers and len(layers) > 1:
        layer = "zones"
    present = _fields(path, layer)
    columns: dict[str, str | None] = {"zone": "zone"}
    columns |= {name: name for name in (*_COLUMNS, "area_ha") if name in present}
    frame = read_features(path, layer, columns, crs, POLYGONS)
    for name in ("zone", *_COLUMNS):
        frame[name] = texts(frame[name]).fillna("") if name in frame else ""
    frame["use"] = frame["use"].str.lower().replace("", "plant")
    frame["changed"] = _changed(frame, _blocks_beside(path, layer, layers, crs))
    frame = _without_not_for_trees(frame, path, notes)
    errors = Errors()
    _check(frame, path, site, errors)
    for column in ("barred", "wanted"):
        frame[column] = _listed(frame[column], path, species, errors)
    errors.raise_any()
    return frame[["zone", *_COLUMNS, "changed", "geometry"]].reset_index(drop=True)


def _layers(path: Path) -> list[str]:
    """Layers of a file; none where it cannot be read, which its reader then says."""
    if not path.exists():
        return []
    with listening(), suppress(*DRIVER_ERRORS):
        return [str(name) for name in pyogrio.list_layers(path)[:, 0]]
    return []


def _fields(path: Path, layer: str | None) -> list[str]:
    if not path.exists():
        return []
    with listening(), suppress(*DRIVER_ERRORS, *NO_CRS, IndexError):  # no layer
        return list(pyogrio.read_info(path, layer=layer)["fields"])
    return []


def _blocks_beside(
    path: Path, layer: str | None, layers: Collection[str], crs: pyproj.CRS | None
) -> gpd.GeoDataFrame | None:
    """Blocks that a copy of a plan holds beside its zones; None where there are none."""
    if layer == "blocks" or "blocks" not in layers or "zone" not in _fields(path, "blocks"):
        return None
    return read_features(path, "blocks", {"zone": "zone"}, crs, POLYGONS)


def _changed(frame: gpd.GeoDataFrame, blocks: gpd.GeoDataFrame | None) -> NDArray[np.bool_]:
    """Tell which polygons differ from the plan they came from; all where they came from none.

    A copy of a plan holds the zones' blocks too, which together are the zones as they were. Where
    only the zones were copied, a zone whose area is no longer its ``area_ha`` has changed.
    """
    shapes = frame.geometry.to_numpy()
    if blocks is not None:
        before = blocks.dissolve("zone").geometry.reindex(frame["zone"]).to_numpy()
        known = ~pd.isna(before)
        apart = shapely.area(shapely.symmetric_difference(shapes, before))
        return ~known | (apart > _SAME_M2)
    if "area_ha" in frame:
        was = pd.to_numeric(frame["area_ha"], errors="coerce").to_numpy(np.float64) * 10_000
        return ~(np.abs(shapely.area(shapes) - was) <= np.maximum(_SAME_M2, _SAME_SHARE * was))
    return np.ones(len(frame), dtype=bool)


def _without_not_for_trees(
    frame: gpd.GeoDataFrame, path: Path, notes: list[str]
) -> gpd.GeoDataFrame:
    """Pass over zones X and N of a plan: which ground is too steep is not for a line to decide."""
    no_trees = frame["zone"].isin(["X", "N"]) & (frame["use"] == "plant")
    if no_trees.any():
        named = " and ".join(sorted(set(frame["zone"][no_trees])))
        plural = len(set(frame["zone"][no_trees])) > 1
        notes.append(
            f"{path.name}: zone{'s' if plural else ''} {named} (too steep, nothing fits) "
            f"{'are' if plural else 'is'} not read: siteplanner works that ground out again. To "
            "keep ground unplanted, draw it with use = 'leave' or 'set aside'."
        )
    return frame[~no_trees]


def _check(frame: gpd.GeoDataFrame, path: Path, site: Site, errors: Errors) -> None:
    for row in frame.index:
        where = f"feature {row + 1}"
        letter, use, community = (frame[c][row] for c in ("zone", "use", "community"))
        if use not in USES:
            errors.add(path, f"{where}, use", f"{use!r} is not a use", near(use, USES))
        if use == "plant" and not _LETTER.match(letter):
            errors.add(
                path, f"{where}, zone", f"{letter!r} is not valid",
                "write one to three capital letters other than X and N, which are used for other "
                "ground",
            )  # fmt: skip
        if community and community not in site.decisions.communities:
            errors.add(
                path, f"{where}, community", f"{community!r} is not in the site file",
                "write its species and shares under [decisions.communities]",
            )  # fmt: skip
    drawn = frame[frame["use"] == "plant"]["zone"]
    for letter in sorted(set(drawn[drawn.duplicated()])):
        errors.add(
            path, f"zone {letter}", "it is listed twice", "merge the two polygons in your GIS"
        )


def _listed(
    column: pd.Series[str], path: Path, species: Collection[str], errors: Errors
) -> pd.Series[Any]:
    """Divide texts at ; to tuples of species."""
    listed = column.map(lambda t: tuple(w.strip() for w in t.split(";") if w.strip()))
    for row in listed.index:
        for name in sorted(set(listed[row]) - set(species)):
            errors.add(
                path, f"feature {row + 1}, {column.name}",
                f"{name!r} is not in the species table", near(name, species),
            )  # fmt: skip
    return listed
