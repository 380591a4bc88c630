"""A small catchment made by code: invented properties of about a hectare, in open sea."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from site_around import site_around

CELL, CELLS = 4.0, 45
WEST, NORTH = 620_000.0, 5_350_000.0
CRS = "EPSG:32756"
#: Mother trees, metres from a site's south-west corner: exact positions that must not get out.
MOTHERS = (
    ("Eucalyptus ovata", "Old gum by the ford", 41.273, 52.618, "invented permit 7"),
    ("Eucalyptus ovata", "Gum at the gate", 87.912, 33.404, "invented permit 7"),
    ("Acacia dealbata", "Wattle 123.4 E", 66.137, 71.955, "invented permit 9"),
)
NAMES = ("Far Paddock", "Gull Farm", "Tern <b>Hill</b> & =1+1")


def small_site(folder: Path, name: str, number: int, must: tuple[str, ...] = ()) -> Path:
    """Write a property of its own slope and place; give its site file."""
    folder.mkdir(parents=True)
    rows, cols = np.indices((CELLS, CELLS))
    dem = 300 + (0.35 + 0.1 * number) * rows + 3 * np.sin(cols / (5 + number))
    west = WEST + 2500.0 * number
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=CELLS, height=CELLS, count=1,
        dtype="float32", crs=CRS, transform=rasterio.Affine(CELL, 0, west, 0, -CELL, NORTH),
    ) as file:  # fmt: skip
        file.write(dem.astype("float32"), 1)
    square = shapely.box(west + 40, NORTH - 140, west + 140, NORTH - 40)
    path = site_around(folder, {"file": "dem.tif", "cell_m": CELL}, square, CRS, kinds=2)
    species, names, x, y, permits = zip(*MOTHERS, strict=True)
    gpd.GeoDataFrame(
        {"species": species, "name": names, "fruiting_months": "1-3", "permit": permits},
        geometry=gpd.points_from_xy(
            [square.bounds[0] + e for e in x], [square.bounds[1] + n for n in y]
        ),
        crs=CRS,
    ).to_file(folder / "mothers.gpkg", layer="mothers")
    text = path.read_text(encoding="utf-8").replace('"A square"', f'"{name}"')
    text = text.replace("[mix]", f"[mix]\nmust = {list(must)}".replace("'", '"'))
    more = (
        '[seed_sources]\nfile = "mothers.gpkg"\ncolumns = { permit = "permit" }\n'
        "[nursery]\nplant_on = 2028-09-04\n[years]\nfirst = 2028\n"
    )
    path.write_text(text + more, encoding="utf-8")
    return path


def made_catchment(folder: Path, *, broken: bool = True, privacy: str = "left out") -> Path:
    """Write a catchment of three sites, and one whose heights cannot be read; give its file."""
    for number, name in enumerate(NAMES):
        must = ("Acacia dealbata",) if number == 1 else ()
        small_site(folder / f"farm{number}", name, number, must)
    if broken:
        path = small_site(folder / "farm9", "Burnt Flat", 9)
        (path.parent / "dem.tif").write_bytes(b"no heights at all")
    (folder / "tubes.csv").write_text(
        "species,plants\nAcacia dealbata,40\nEucalyptus ovata,25\nBanksia marginata,500\n"
        "Poa labillardierei,30\n"
    )
    (folder / "seed.csv").write_text(
        "species,grams\nAcacia dealbata,0.05\nEucalyptus ovata,1000\nBanksia marginata,1\n"
    )
    path = folder / "catchment.toml"
    path.write_text(
        '[catchment]\nname = "Tern <i>valley</i>"\nsites = ["farm*/site.toml"]\n'
        '[stock]\ntubes = "tubes.csv"\nseed = "seed.csv"\n'
        f'[privacy]\nseed_sources = "{privacy}"\n',
        encoding="utf-8",
    )
    return path
