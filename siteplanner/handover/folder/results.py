"""What the files of a plan are: the one list of them, for people, programs and a desktop GIS."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

import rasterio

from siteplanner.base.plan_folder import FEATURES, MANIFEST, PROJECT

#: The layers in the GIS file: name, title, drawn at first. The first lies on top.
LAYERS: tuple[tuple[str, str, bool], ...] = (
    ("frost_obs", "Frost readings", True),
    ("trees", "Trees", True),
    ("rows", "Planting rows", True),
    ("machine_lines", "Lines to rip or mound", False),
    ("boundary", "Boundary", True),
    ("no_plant", "To keep clear of", True),
    ("hollows", "Hollows without an outlet", False),
    ("paddocks", "Paddocks", True),
    ("blocks", "Blocks", True),
    ("setbacks", "Kept clear of trees", True),
    ("zones", "Zones", True),
)
#: Groups of layers in a desktop GIS, from the top down.
PLAN, CHANCES, SUITABILITY, GROUND, RELIEF = (
    "Plan",
    "How sure",
    "How well each species suits",
    "The ground",
    "Relief",
)
GROUPS = (PLAN, CHANCES, SUITABILITY, GROUND, RELIEF)


@dataclass(frozen=True)
class Result:
    """A file of a plan, or one layer of its GIS file.

    ``path`` is relative to the plan's folder; ``layer`` names a layer of the GIS file, else it is
    empty; ``role`` says to a program what it is, ``title`` to a person; ``form`` is vector,
    raster, style, project, page, paper, table, calendar, handheld or data; ``group`` and ``order``
    (0 on top) place a layer in a desktop GIS; ``shown`` says whether it is drawn there at first.
    """

    path: str
    layer: str
    role: str
    title: str
    form: str
    group: str
    order: int
    shown: bool


#: Every file that a plan may have: pattern of its path, role, title, form. The first that fits
#: counts.
FILES: tuple[tuple[str, str, str, str], ...] = (
    ("map.html", "map", "the map; works offline", "page"),
    ("sheets.pdf", "sheets", "planting sheets to print, two sides a leaf", "paper"),
    ("run_sheets.pdf", "run sheets", "a run sheet for each day of a crew, to cut apart", "paper"),
    ("row_tags.pdf", "row tags", "a tag for each row, for the label printer", "paper"),
    ("sheets/*.pdf", "sheet", "one block's sheet, or the overview", "paper"),
    ("plan.mbtiles", "tiles", "the plan as map tiles for a handheld", "handheld"),
    ("plan.xlsx", "workbook", "the numbers as a spreadsheet", "table"),
    (PROJECT, "project", "the whole plan drawn, to open in a desktop GIS", "project"),
    (FEATURES, "features", "everything for a GIS", "vector"),
    ("trees.gpx", "row ends", "row ends for a handheld GPS; also by block in handheld", "handheld"),
    ("handheld/*.gpx", "row ends of a block", "row ends of one block", "handheld"),
    ("trees.kml", "trees for a globe", "rows and trees for a globe viewer", "handheld"),
    ("trees.geojson", "trees", "every tree as a point, in degrees", "vector"),
    ("counts.csv", "counts", "trees by zone, paddock and species", "table"),
    ("zones.csv", "zones", "figures of zones", "table"),
    ("blocks.csv", "blocks", "figures of blocks", "table"),
    ("row_spacings.csv", "row spacings", "row spacings along contours", "table"),
    ("rows.csv", "rows", "figures of rows", "table"),
    ("years.csv", "years", "trees of each year", "table"),
    ("works.csv", "works", "dated works", "table"),
    ("fences.csv", "fences", "fences to build", "table"),
    ("hours.csv", "hours", "hours of work by month", "table"),
    ("costs.csv", "costs", "what each year costs, line by line", "table"),
    ("frost.csv", "frost odds", "odds that a frost kills a seedling", "table"),
    ("frost_dates.csv", "frost dates", "first and last frosts by zone", "table"),
    ("dig.csv", "spots to dig", "where a look with a spade would change the plan most", "table"),
    ("thermometers.csv", "thermometer spots", "where one more thermometer would help", "table"),
    ("how_sure.csv", "chances", "chances of each species by zone", "table"),
    ("nursery.pdf", "nursery year", "the nursery's year; also nursery.csv and labels", "paper"),
    ("labels.pdf", "labels", "labels of the nursery's batches", "paper"),
    ("nursery.ics", "nursery calendar", "the nursery's dates", "calendar"),
    ("nursery*.csv", "nursery tables", "the nursery's tables", "table"),
    ("layers/*.qml", "style", "how a desktop GIS draws the layer beside it", "style"),
    ("layers/*.tif", "layer", "the ground and each species' suitability, GeoTIFF", "raster"),
    (MANIFEST, "manifest", "inputs, settings, versions and warnings", "data"),
)  # fmt: skip
#: Roles that the command's last words name; the others lie beside these.
MAIN = (
    "map",
    "sheets",
    "run sheets",
    "row tags",
    "workbook",
    "row ends",
    "project",
    "features",
    "layer",
    "counts",
    "nursery year",
    "manifest",
)


def main_files(folder: Path) -> Iterator[tuple[Path, str]]:
    """Give what a person should know of a plan's folder: paths, and what each is.

    Of the layers that is their folder.
    """
    for role in MAIN:
        pattern, _, title, _ = next(row for row in FILES if row[1] == role)
        path = folder / (pattern.partition("/")[0] if "*" in pattern else pattern)
        if path.exists():
            yield path, title


def results_in(folder: Path, files: Iterable[str] | None = None) -> list[Result]:
    """Give all results in a plan's folder: layers from the top down, then the other files.

    ``files`` are paths relative to ``folder``; without them all files of the folder. A file that
    no row of ``FILES`` describes has the role ``other``.
    """
    if files is None:
        files = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    names = sorted(files)
    drawn = [layer for name in names for layer in _layers_of(folder, name)]
    drawn.sort(key=lambda one: GROUPS.index(one.group))
    rest = [_described(name) for name in names if not _is_raster(name)]
    rest.sort(key=lambda one: one.order)
    return [Result(**(vars(one) | {"order": number})) for number, one in enumerate([*drawn, *rest])]


def _described(name: str) -> Result:
    for order, (pattern, role, title, form) in enumerate(FILES):
        if fnmatchcase(name, pattern):
            return Result(name, "", role, title, form, "", order, False)
    return Result(name, "", "other", name, "data", "", len(FILES), False)


def _is_raster(name: str) -> bool:
    return fnmatchcase(name, "layers/*.tif")


def _layers_of(folder: Path, name: str) -> list[Result]:
    if name == FEATURES:
        return [
            Result(name, layer, layer, title, "vector", PLAN, 0, shown)
            for layer, title, shown in LAYERS
        ]
    if not _is_raster(name):
        return []
    stem = Path(name).stem
    with rasterio.open(folder / name) as file:
        title = file.tags().get("title", stem)
    if stem == "hillshade":
        return [Result(name, "", "hillshade", title, "raster", RELIEF, 0, True)]
    groups = {"suitability_": SUITABILITY}
    groups |= dict.fromkeys(("chance_", "safe_bets", "risky_bets"), CHANCES)
    group = next((g for start, g in groups.items() if stem.startswith(start)), GROUND)
    role = {SUITABILITY: "suitability", CHANCES: "chance", GROUND: "ground"}[group]
    return [Result(name, "", role, title, "raster", group, 0, False)]
