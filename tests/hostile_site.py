"""A small site whose every text wants to be something else: markup, a formula, code, a path."""

from __future__ import annotations

import json
from itertools import cycle
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from conftest import SITE
from site_around import quarters, site_around

CRS = "EPSG:32756"
SQUARE = shapely.box(620000, 5350000, 620180, 5350180)
#: How a cell begins that a spreadsheet takes for a formula; "" and a path for the others.
STARTS = ("=", "+", "-", "@", "", "../../")
#: Every name carries this: no XML, HTML or script, template, console markup, escape sequence,
#: turned text or path of it may be taken for what it looks like.
BODY = "".join(
    (
        'cmd|"/c calc"!A1',
        "<img src=x onerror=window.pwned=1><script>window.pwned=2</script></script>]]>",
        "&lt;&#60;\"'`${window.pwned=3}`{{7*191}}{% raise %}{#<?x?><!--",
        "[bold red]:warning:[/]%s\\n\\",
        "../../../pwned/..\\..\\pwned",
        "\x1b[31m\x1b]0;pwned\x07\x08\x7f\x9b2J",
        "\u202e25 m\u202c\u2066\u200f\ufeff\u2028",
        "👩‍🌾\u0301\u0327\u20dd ",
    )
)
LONG = "w" * 700


class Names:
    """Makes hostile texts that differ: each has its number and the next start."""

    def __init__(self) -> None:
        self.made: list[str] = []
        self._starts = cycle(STARTS)

    def __call__(self, more: str = "") -> str:
        """Give the next text."""
        self.made.append(f"{next(self._starts)}{len(self.made) + 1} {BODY}{more}")
        return self.made[-1]


def hostile_site(folder: Path) -> tuple[Path, Names]:
    """Write the site into ``folder``; give its site file, and the names used in it."""
    name = Names()
    folder.mkdir(parents=True, exist_ok=True)
    _heights(folder / "dem.tif")
    soils = quarters(SQUARE, CRS)
    soils["unit"] = [name(LONG) for _ in range(4)]
    path = site_around(
        folder, {"file": "dem.tif", "cell_m": 5.0, "margin_m": 100.0}, SQUARE, CRS, soils, kinds=3
    )
    species = _species(folder / "species.csv", name)
    _paddocks(folder / "land.gpkg", name)
    x, y = SQUARE.centroid.x, SQUARE.centroid.y
    points = [shapely.Point(x + dx, y + dy) for dx, dy in ((-60, 40), (50, -50), (20, 80))]
    _save(
        folder / "readings.gpkg",
        {
            "name": [name() for _ in points],
            "winter_min_c": [-4.0, -5.5, -3.0],
            "height_m": 1.2,
            "winter": 1999,
        },
        points,
    )
    _save(folder / "hollows.gpkg", {"name": [name()]}, [shapely.box(x, y, x + 60, y + 40)])
    _save(
        folder / "keep_clear.gpkg",
        {"kind": ["building", "track", "other"], "name": [name(), name(LONG), name()]},
        [points[0].buffer(8), shapely.LineString([(x - 150, y), (x + 150, y + 20)]), points[2]],
    )
    _save(
        folder / "mothers.gpkg",
        {
            "species": [species[0], species[0], species[1]],
            "name": [name(), name(), name(LONG)],
            "fruiting_months": ["2-4", "2-4", "1-3"],
            "permit": [name() for _ in points],
        },
        points,
    )
    community = name().strip()
    _save(
        folder / "zones.gpkg",
        {
            "zone": ["HQ", ""],
            "title": [name(), name()],
            "use": ["plant", "set aside"],
            "barred": ["", ""],
            "wanted": ["", ""],
            "community": [community, ""],
        },
        [shapely.box(x - 120, y - 120, x - 60, y - 60), shapely.box(x, y + 90, x + 40, y + 120)],
    )
    (folder / "local.csv").write_text("species\nNone of these\n", encoding="utf-8")
    quoted = _toml
    text = path.read_text(encoding="utf-8")
    # NUL is left to the site file: neither a GeoPackage nor a CSV carries it.
    text = text.replace('name = "A square"', f"name = {quoted(name(chr(0))[:190])}")
    text = text.replace("[mix]\n", f"[mix]\nmust = [{quoted(species[0])}]\n")
    text += f"""
[frost]
readings = {{ file = "readings.gpkg" }}
hollows = {{ file = "hollows.gpkg" }}
[no_plant]
file = "keep_clear.gpkg"
[seed_sources]
file = "mothers.gpkg"
columns = {{ permit = "permit" }}
[nursery]
plant_on = 2028-10-02
[decisions]
zones = "zones.gpkg"
local = "local.csv"
[decisions.communities.{quoted(community)}]
{quoted(species[1])} = 2.0
{quoted(species[2])} = 1.0
"""
    path.write_text(text, encoding="utf-8")
    return path, name


def _toml(text: str) -> str:
    # JSON's strings are TOML's, but for DEL and pairs of halves.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _heights(path: Path) -> None:
    west, _, east, north = SQUARE.buffer(150).bounds
    size = int((east - west) / 5)
    row, col = np.mgrid[0:size, 0:size]
    heights = 300 - 0.6 * row + 6 * np.sin(col / 9) + 4 * np.cos(row / 7)
    with rasterio.open(
        path, "w", driver="GTiff", width=size, height=size, count=1, dtype="float32", crs=CRS,
        transform=rasterio.transform.from_origin(west, north, 5, 5),
    ) as file:  # fmt: skip
        file.write(heights.astype(np.float32), 1)


def _species(path: Path, name: Names) -> list[str]:
    """Six of the sample's species under other names; every free text of the table is hostile."""
    table = pd.read_csv(SITE.parent / "species.csv", dtype=str, keep_default_na=False)[:6]
    free = ("botanical_name", "common_name", "cautions", "source_note", "fruit", "pretreatment",
            "nursery_note")  # fmt: skip
    for column in free:
        more = LONG if column == "common_name" else ""
        table[column] = [name(more).strip() for _ in range(len(table))]
    table["winter_minimum source"] = [f"published: {name()}" for _ in range(len(table))]
    table.to_csv(path, index=False)
    return list(table["botanical_name"])


def _paddocks(path: Path, name: Names) -> None:
    west, south, east, north = SQUARE.bounds
    middle = (west + east) / 2
    _save(
        path,
        {"name": [name(), name()], "plant": [1, 1]},
        [shapely.box(west, south, middle, north), shapely.box(middle, south, east, north)],
    )


def _save(path: Path, columns: dict[str, object], shapes: list[shapely.Geometry]) -> None:
    path.unlink(missing_ok=True)
    gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS).to_file(path, layer=path.stem)


__all__ = ["BODY", "LONG", "SITE", "Names", "hostile_site"]
