"""A plan's folder written by hand: two blocks of two rows, a map, and one layer of the ground."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from desk.desk_site import MIDDLE

from siteplanner.base.symbology.qml import written
from siteplanner.handover.gis.raster_looks import ramp_look

GUM, BUSH = "Eucalyptus viminalis", "Hakea microcarpa"
X, Y = MIDDLE
CRS = "EPSG:32756"


def plan_by_hand(folder: Path, each: int = 3, map_page: str = "<p>map</p>") -> Path:
    """Write it; each row has ``each`` gums and as many bushes."""
    (folder / "layers").mkdir(parents=True, exist_ok=True)
    zones = gpd.GeoDataFrame(
        {"zone": ["A"], "title": ["A slope"], "ground": ["loam"], "trees": [8 * each],
         "pattern": ["square"], "spacing_m": [4.0]},
        geometry=[shapely.box(X - 50, Y - 50, X + 50, Y)], crs=CRS,
    )  # fmt: skip
    blocks = gpd.GeoDataFrame(
        {"block": ["A1", "A2"], "zone": "A", "paddock": "South west", "bearing_deg": 0.0},
        geometry=[shapely.box(X - 50, Y - 50, X, Y), shapely.box(X, Y - 50, X + 50, Y)], crs=CRS,
    )  # fmt: skip
    rows = [
        (block, row, name, shapely.Point(x + 4 * n + 2 * (name == BUSH), Y - 10 * row))
        for block, x in (("A1", X - 45), ("A2", X + 5))
        for row in (1, 2)
        for name in (GUM, BUSH)
        for n in range(each)
    ]
    trees = gpd.GeoDataFrame(
        {"block": [r[0] for r in rows], "zone": "A", "row": [r[1] for r in rows],
         "species": [r[2] for r in rows]},
        geometry=[r[3] for r in rows], crs=CRS,
    )  # fmt: skip
    for name, frame in (("zones", zones), ("blocks", blocks), ("trees", trees)):
        frame.to_file(folder / "plan.gpkg", layer=name)
    counts = [["A", "South west", name, "", 4 * each, each, 5 * each] for name in (GUM, BUSH)]
    columns = ["zone", "paddock", "species", "common_name", "trees", "infill", "order"]
    pd.DataFrame(counts, columns=columns).to_csv(folder / "counts.csv", index=False)
    (folder / "map.html").write_text(map_page)
    _layer(folder / "layers" / "slope.tif")
    names = ["map.html", "counts.csv", "plan.gpkg", "layers/slope.tif", "layers/slope.qml"]
    contents = {name: (folder / name).read_bytes() for name in names}
    manifest = {
        "trees_total": 8 * each, "area_planted_ha": 0.5, "frost_error_c": 1.0, "warnings": [],
        "cautions": [], "settings": {"mix": {"tree_cost": 6.0}}, "inputs": {},
        "versions": {"siteplanner": "0"},
        "files": {
            name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in contents.items()
        },
    }  # fmt: skip
    (folder / "plan.json").write_text(json.dumps(manifest))
    return folder


def _layer(path: Path) -> None:
    """Slope of 0 to 9 degrees from west to east, unknown in the first column."""
    values = np.tile(np.arange(10, dtype=np.float32), (5, 1))
    values[:, 0] = np.nan
    place = rasterio.transform.from_origin(X - 50, Y + 25, 10, 10)
    with rasterio.open(
        path, "w", driver="GTiff", width=10, height=5, count=1, dtype="float32", nodata=np.nan,
        crs=CRS, transform=place,
    ) as file:  # fmt: skip
        file.write(values, 1)
        file.update_tags(title="Slope", unit="degrees")
    path.with_suffix(".qml").write_text(written(ramp_look("YlOrBr_09", 0, 8, "degrees")))
