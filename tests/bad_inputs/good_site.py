"""A small good site that names every kind of file, and ways to break it in place."""

from __future__ import annotations

import csv
import json
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from site_around import site_around

from siteplanner.reading.species.table import REQUIRED

CRS = "EPSG:32756"
WEST, SOUTH, ACROSS = 620_100.0, 5_350_100.0, 200.0
SQUARE = shapely.box(WEST, SOUTH, WEST + ACROSS, SOUTH + ACROSS)
SPECIES = ("Eucalyptus rodwayi", "Acacia melanoxylon")


def at(east: float, north: float) -> shapely.Point:
    """Give the point so many metres from the property's south-west corner."""
    return shapely.Point(WEST + east, SOUTH + north)


def good_site(folder: Path) -> Path:
    """Write the site into ``folder``; every file of it is good. Gives the site file's path.

    ``dig.csv`` and ``saved_rates.csv`` lie there too, but the site file does not name them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rows, cols = np.mgrid[0:80, 0:80]
    heights = (300 + 0.4 * cols + 4 * np.sin(rows / 15)).astype(np.float32)
    write_dem(folder / "dem.tif", heights)
    path = site_around(folder, {"file": "dem.tif"}, SQUARE, CRS)
    rows = (folder / "species.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    first = next(n for n, row in enumerate(rows) if row.startswith("botanical_name"))
    few = [
        row
        for row in rows[first + 1 :]
        if row.startswith((*SPECIES, "Acacia dealbata", "Eucalyptus ovata"))
    ]
    text = "".join([*rows[: first + 1], *few])
    (folder / "species.csv").write_text(text, encoding="utf-8")
    frames = {
        "readings": gpd.GeoDataFrame(
            {
                "name": ["Flat", "Knoll"],
                "winter_min_c": [-7.5, -4.0],
                "height_m": [1.2, 1.2],
                "winter": [2020, 2020],
            },
            geometry=[at(40, 60), at(150, 140)],
            crs=CRS,
        ),
        "hollows": gpd.GeoDataFrame({"name": ["Sump"]}, geometry=[at(40, 60).buffer(20)], crs=CRS),
    }
    for layer, frame in frames.items():
        frame.to_file(folder / "frost.gpkg", layer=layer)
    gpd.GeoDataFrame(
        {"kind": ["track"], "name": ["Drive"]},
        geometry=[shapely.LineString([at(0, 100), at(200, 100)])],
        crs=CRS,
    ).to_file(folder / "no_plant.gpkg")
    gpd.GeoDataFrame(
        {"height_m": [4.0], "porosity": [0.4]},
        geometry=[shapely.LineString([at(0, 50), at(200, 50)])],
        crs=CRS,
    ).to_file(folder / "shelter.gpkg")
    gpd.GeoDataFrame(
        {"species": ["Acacia dealbata"], "name": ["Old tree"], "fruiting_months": ["12-3"]},
        geometry=[at(20, 20)],
        crs=CRS,
    ).to_file(folder / "seed_sources.gpkg")
    x, y = WEST + 50, SOUTH + 50
    texts = {
        "daily.csv": "date,min_c\n2020-06-01,-1.5\n2020-06-02,-3.0\n",
        "stock.csv": "species,plants\n",
        "counts.csv": "batch,stage,count,date\nB1,germinated,120,2028-03-04\n",
        "dig.csv": "spot,easting,northing,reach_m,texture,drainage,depth_m,mottles_from_m,"
        f"water_at_m,stones_percent,ph\n1,{x},{y},20,loam,,0.8,0.3,,5,5.6\n",
        "saved_rates.csv": "species,expected_survival\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    change(
        path,
        frost={
            "readings": {"file": "frost.gpkg", "layer": "readings"},
            "hollows": {"file": "frost.gpkg", "layer": "hollows"},
        },
        no_plant={"file": "no_plant.gpkg"},
        shelter={"file": "shelter.gpkg"},
        seed_sources={"file": "seed_sources.gpkg"},
        climate={"daily_minima": "daily.csv"},
        nursery={"stock": "stock.csv", "counts": "counts.csv"},
    )
    return path


def change(path: Path, **tables: dict[str, object]) -> None:
    """Set values in the site file's tables; None takes one out."""
    told = tomllib.loads(path.read_text(encoding="utf-8"))
    for table, values in tables.items():
        told[table] = {k: v for k, v in (told.get(table, {}) | values).items() if v is not None}
    lines = []
    for table, values in told.items():
        lines.append(f"[{table}]")
        lines += [f"{key} = {_toml(value)}" for key, value in values.items()]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, float):
        return str(value)
    return json.dumps(value, ensure_ascii=False)


#: Tables of the site file that may be left out.
MAY_BE_LEFT_OUT = ("paddocks", "soils", "climate", "frost", "no_plant", "shelter", "seed_sources",
                   "nursery")  # fmt: skip

#: Columns of the species table without which it is not read, and limits of two kinds.
FEW_COLUMNS = (*REQUIRED, "winter_minimum dies below [°C]", "drainage_class thrives in")


def leave_out_what_is_good(path: Path, good: Path) -> None:
    """Leave out of a broken site what is as in the good one in folder ``good``.

    Its check then reads the files that matter alone, which is much quicker. Of a good species
    table the columns in ``FEW_COLUMNS`` stay, since reading all takes longer than all the rest.
    """
    if all(_same(path.parent, good, "species.csv")):
        with (good / "species.csv").open(encoding="utf-8", newline="") as file:
            rows = [{name: row[name] for name in FEW_COLUMNS} for row in csv.DictReader(file)]
        with (path.parent / "species.csv").open("w", encoding="utf-8", newline="") as file:
            few = csv.DictWriter(file, FEW_COLUMNS)
            few.writeheader()
            few.writerows(rows)
    try:
        told = tomllib.loads(path.read_text(encoding="utf-8"))
        was = tomllib.loads((good / path.name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return
    alike = [
        table
        for table in MAY_BE_LEFT_OUT
        if told.get(table) == was[table] and all(_same(path.parent, good, was[table]))
    ]
    if "path" in told or not alike:
        return
    if "frost" not in alike:  # readings are of winters of the station
        alike = [table for table in alike if table != "climate"]
    told = {table: values for table, values in told.items() if table not in alike}
    path.write_text("", encoding="utf-8")
    change(path, **told)


def _same(folder: Path, good: Path, values: object) -> Iterator[bool]:
    """Whether each file that a table names is as in the good site."""
    if isinstance(values, dict):
        for value in values.values():
            yield from _same(folder, good, value)
    elif isinstance(values, str) and (good / values).is_file():
        here = folder / values
        yield here.is_file() and here.read_bytes() == (good / values).read_bytes()


def write_dem(path: Path, heights: np.ndarray, **more: object) -> None:
    """Write a raster of 4 m cells that covers the property and 60 m round it."""
    profile = {
        "driver": "GTiff",
        "height": heights.shape[-2],
        "width": heights.shape[-1],
        "count": 1,
        "dtype": heights.dtype,
        "crs": CRS,
        "transform": Affine(4, 0, WEST - 60, 0, -4, SOUTH + 260),
    } | more
    with rasterio.open(path, "w", **profile) as target:
        for band in range(1, profile["count"] + 1):
            target.write(heights if heights.ndim == 2 else heights[band - 1], band)


@dataclass(frozen=True)
class Case:
    """One way to break the good site, and what has to be said of it.

    ``file`` ends the path that the sentence begins with, ``place`` stands before its colon,
    ``what`` and ``remedy`` after it. A ``repair`` is no error: ``check`` lists ``what`` as a note,
    where it is not empty, and says all of ``also``.
    """

    name: str
    breaks: Callable[[Path], None]
    file: str
    place: str
    what: str
    remedy: str
    repair: bool = False
    also: tuple[str, ...] = ()


class CaseTable:
    """The cases of one kind of file."""

    def __init__(self) -> None:
        self.cases: list[Case] = []

    def refuse(
        self, file: str, place: str, what: str, remedy: str
    ) -> Callable[[Callable[[Path], None]], Callable[[Path], None]]:
        """Enter a function that breaks a site so that it has to be refused."""

        def enter(breaks: Callable[[Path], None]) -> Callable[[Path], None]:
            self.cases.append(Case(breaks.__name__, breaks, file, place, what, remedy))
            return breaks

        return enter

    def repair(
        self, what: str, *also: str
    ) -> Callable[[Callable[[Path], None]], Callable[[Path], None]]:
        """Enter a function that makes a site odd, which is repaired and told."""

        def enter(breaks: Callable[[Path], None]) -> Callable[[Path], None]:
            self.cases.append(
                Case(breaks.__name__, breaks, "", "", what, "", repair=True, also=also)
            )
            return breaks

        return enter

    def take(self, *also: str) -> Callable[[Callable[[Path], None]], Callable[[Path], None]]:
        """Enter a function that makes a site odd but clear: it is read, with nothing to tell."""
        return self.repair("", *also)
