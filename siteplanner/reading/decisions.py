"""Reads the user's last word: zones drawn by hand, ground not to plant, and what belongs where.

Everything here is read from the site folder and never written there.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field

import geopandas as gpd
import pyogrio
import pyproj
import shapely

from siteplanner.base.errors import Errors, near
from siteplanner.reading.files.cells import read_cells
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


_LETTER = re.compile(r"^(?!X$|N$)[A-Z]{1,3}$")


@dataclass(frozen=True)
class Decided:
    """What the user decided.

    ``ground``: polygons with ``zone`` (letters), ``title``, ``use`` (of ``USES``), ``barred``
    and ``wanted`` (tuples of botanical names) and ``community``. ``local``: botanical names that
    belong here; None when no list was given.
    """

    ground: gpd.GeoDataFrame
    local: frozenset[str] | None = None
    rules: Decisions = field(default_factory=Decisions)

    @property
    def zones(self) -> gpd.GeoDataFrame:
        """The zones drawn by hand, in the order of the file."""
        return self.ground[self.ground["use"] == "plant"].reset_index(drop=True)

    @property
    def not_to_plant(self) -> shapely.Geometry:
        """Ground that is not planted in this plan."""
        return self.ground[self.ground["use"] != "plant"].union_all()


def read_decisions(site: Site, crs: pyproj.CRS | None, species: Collection[str]) -> Decided:
    """Read the files that ``[decisions]`` names.

    Raises :class:`~siteplanner.InputError` with every error: a letter that will not do
    or stands twice, a use, species or community that is not known.
    """
    rules = site.decisions
    errors = Errors()
    ground = _no_ground(crs)
    local = None
    if rules.zones:
        with errors.gather():
            ground = _ground(site, crs, species)
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
    return Decided(ground, local, rules)


def _no_ground(crs: pyproj.CRS | None) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"zone": [], **{c: [] for c in _COLUMNS}}, geometry=[], crs=crs)


def _ground(site: Site, crs: pyproj.CRS | None, species: Collection[str]) -> gpd.GeoDataFrame:
    path = site.folder / str(site.decisions.zones)
    layer = site.decisions.layer
    present: Collection[str] = ()
    if path.exists():
        try:
            names = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
            if layer is None and "zones" in names and len(names) > 1:
                layer = "zones"
            present = list(pyogrio.read_info(path, layer=layer)["fields"])
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError):
            present = ()  # the reader below says what is wrong
    columns: dict[str, str | None] = {"zone": "zone"}
    columns |= {name: name for name in _COLUMNS if name in present}
    frame = read_features(path, layer, columns, crs, POLYGONS)
    for name in ("zone", *_COLUMNS):
        frame[name] = texts(frame[name]).fillna("") if name in frame else ""
    frame["use"] = frame["use"].str.lower().replace("", "plant")
    errors = Errors()
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
    for column in ("barred", "wanted"):
        listed = frame[column].map(lambda t: tuple(w.strip() for w in t.split(";") if w.strip()))
        for row in frame.index:
            for name in sorted(set(listed[row]) - set(species)):
                errors.add(
                    path, f"feature {row + 1}, {column}",
                    f"{name!r} is not in the species table", near(name, species),
                )  # fmt: skip
        frame[column] = listed
    errors.raise_any()
    return frame[["zone", *_COLUMNS, "geometry"]]
