"""The user's last word: zones drawn by hand, ground not to plant, and what belongs where.

Everything here is read from the site folder and never written there. Ground that the user
decided on is kept as drawn; the plan says what was kept and what no longer agrees with it.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely
from numpy.typing import NDArray

from siteplanner.base.errors import Faults, near
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.planting.zones.blocks import BY_HAND
from siteplanner.reading.files.features import POLYGONS, read_features, texts
from siteplanner.reading.nursery_counts import known, read_cells
from siteplanner.site.planting import Decisions, Mix
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Fit

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
#: Less than this share of hand-drawn ground is no reason to speak up.
_SLIGHT = 0.05


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


def read_decisions(site: Site, crs: pyproj.CRS, species: Collection[str]) -> Decided:
    """Read the files that ``[decisions]`` names.

    Raises :class:`~siteplanner.InputError` with every fault: a letter that will not do
    or stands twice, a use, species or community that is not known.
    """
    rules = site.decisions
    faults = Faults()
    ground = _no_ground(crs)
    local = None
    if rules.zones:
        with faults.gather():
            ground = _ground(site, crs, species)
    if rules.local:
        with faults.gather():
            path = site.folder / rules.local
            cells = read_cells(path, ["species"])
            local = frozenset(known(name) for name in cells["species"])
    for name, shares in rules.communities.items():
        for one in sorted(set(shares) - set(species)):
            faults.add(
                site.path, f"decisions.communities.{name}", f"{one!r} is not in the species table",
                near(one, species),
            )  # fmt: skip
    faults.raise_any()
    return Decided(ground, local, rules)


def _no_ground(crs: pyproj.CRS) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"zone": [], **{c: [] for c in _COLUMNS}}, geometry=[], crs=crs)


def _ground(site: Site, crs: pyproj.CRS, species: Collection[str]) -> gpd.GeoDataFrame:
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
    faults = Faults()
    for row in frame.index:
        where = f"feature {row + 1}"
        letter, use, community = (frame[c][row] for c in ("zone", "use", "community"))
        if use not in USES:
            faults.add(path, f"{where}, use", f"{use!r} is no use", near(use, USES))
        if use == "plant" and not _LETTER.match(letter):
            faults.add(
                path, f"{where}, zone", f"{letter!r} will not do",
                "give one to three capital letters, not X or N, which stand for other ground",
            )  # fmt: skip
        if community and community not in site.decisions.communities:
            faults.add(
                path, f"{where}, community", f"{community!r} is not in the site file",
                "write its species and shares under [decisions.communities]",
            )  # fmt: skip
    drawn = frame[frame["use"] == "plant"]["zone"]
    for letter in sorted(set(drawn[drawn.duplicated()])):
        faults.add(path, f"zone {letter}", "it stands there twice", "join the two in your GIS")
    for column in ("barred", "wanted"):
        listed = frame[column].map(lambda t: tuple(w.strip() for w in t.split(";") if w.strip()))
        for row in frame.index:
            for name in sorted(set(listed[row]) - set(species)):
                faults.add(
                    path, f"feature {row + 1}, {column}",
                    f"{name!r} is not in the species table", near(name, species),
                )  # fmt: skip
        frame[column] = listed
    faults.raise_any()
    return frame[["zone", *_COLUMNS, "geometry"]]


def drawn_over(shapes: gpd.GeoDataFrame, decided: Decided) -> gpd.GeoDataFrame:
    """Lay the hand-drawn zones over the kinds of ground.

    Where two overlap, cutting to blocks gives the ground to the first. Zones get the kinds
    ``BY_HAND``, ``BY_HAND`` + 1 and so on.
    """
    zones = decided.zones
    if zones.empty:
        return shapes
    left = shapely.difference(shapes.geometry.to_numpy(), zones.union_all())
    kinds = [*shapes["kind"], *(BY_HAND + n for n in range(len(zones)))]
    frame = gpd.GeoDataFrame({"kind": kinds}, geometry=[*left, *zones.geometry], crs=shapes.crs)
    return frame[~frame.geometry.is_empty].reset_index(drop=True)


def letters_of(decided: Decided) -> dict[int, str]:
    """Letters that the user gave, by kind."""
    return {BY_HAND + n: letter for n, letter in enumerate(decided.zones["zone"])}


def titles_of(decided: Decided) -> dict[str, str]:
    """Names that the user gave, by letter."""
    zones = decided.zones
    return {z: t for z, t in zip(zones["zone"], zones["title"], strict=True) if t}


def mixes_of(
    mix: Mix, decided: Decided, facts: pd.DataFrame
) -> tuple[Mix, dict[str, Mix], list[str]]:
    """Rules of the mix everywhere, those of zones that have their own, and what to tell.

    Species that are not on the list of local ones, and those whose cautions call them weedy, are
    told of, and barred where ``[decisions]`` says so.
    """
    names = list(facts["botanical_name"])
    told: list[str] = []
    never = list(mix.never)
    away = [] if decided.local is None else [n for n in names if n not in decided.local]
    weedy = [n for n, c in zip(names, facts["cautions"], strict=True) if "weedy" in str(c)]
    for found, words, barred in (
        (away, "not on your list of local species", decided.rules.bar_not_local),
        (weedy, "marked as weedy outside their range", decided.rules.bar_weedy),
    ):
        if found:
            end = "barred" if barred else "used where they fit; bar them under [decisions]"
            told.append(f"{', '.join(found)}: {words}, {end}.")
            never += [n for n in found if barred and n not in never]
    general = mix.model_copy(
        update={"never": tuple(never), "must": tuple(n for n in mix.must if n not in never)}
    )
    own = {}
    for row in decided.zones.itertuples():
        change: dict[str, object] = {}
        if row.barred or row.wanted:
            change["never"] = tuple(dict.fromkeys([*never, *row.barred]))
            must = dict.fromkeys([*general.must, *row.wanted])
            change["must"] = tuple(n for n in must if n not in row.barred and n not in never)
        if row.community:
            change["aim"] = decided.rules.communities[row.community]
        if change:
            own[row.zone] = general.model_copy(update=change)
    return general, own, told


def what_was_kept(
    decided: Decided,
    fitted: Fit,
    slope: FloatGrid,
    grid: Grid,
    names: Collection[str],
    *,
    lowest_fit: int,
    steepest_deg: float,
    area: shapely.Geometry,
) -> list[str]:
    """Say what was kept of the user's decisions, and what no longer agrees with the ground."""
    said = []
    name_of = list(names)
    for row in decided.ground.itertuples():
        hectares = row.geometry.area / 1e4
        if row.use != "plant":
            title = f" ({row.title})" if row.title else ""
            said.append(f"Kept: {hectares:.2f} ha{title} {USES[row.use]}, not planted here.")
            continue
        said.append(f"Kept: zone {row.zone} as you drew it, {hectares:.2f} ha.")
        cells = grid.cover([row.geometry])[fitted.mask]
        if not cells.any():
            said.append(f"Zone {row.zone} holds no ground of the property.")
            continue
        score = fitted.score[:, cells]
        here = slope[fitted.mask][cells]
        _tell(said, row.zone, score.max(axis=0) < lowest_fit, "no species fits")
        _tell(said, row.zone, here > steepest_deg, f"the slope is over {steepest_deg:g}°")
        outside = 1 - shapely.intersection(row.geometry, area).area / row.geometry.area
        if outside > _SLIGHT:
            said.append(
                f"Zone {row.zone}: {100 * outside:.0f} % of it lies in setbacks or outside the "
                "paddocks to plant, and is not planted."
            )
        for wanted in row.wanted:
            share = (score[name_of.index(wanted)] >= lowest_fit).mean()
            if share < _SLIGHT:
                said.append(
                    f"Zone {row.zone}: you want {wanted}, but it fits {100 * share:.0f} % of it."
                )
    return said


def _tell(said: list[str], zone: str, cells: NDArray[np.bool_], words: str) -> None:
    if cells.mean() > _SLIGHT:
        said.append(f"Zone {zone}: on {100 * cells.mean():.0f} % of it {words}; look again.")
