"""A DEM of made-up hills with a field on it, as much of a site as the DEM reader looks at."""

import dataclasses

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine

from siteplanner.reading.dem import read_dem
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.site.inputs import Boundary, Dem

CRS = "EPSG:32756"
WEST, NORTH, CELL = 620_000.0, 5_350_400.0, 4.0
PLACE = Affine(CELL, 0, WEST, 0, -CELL, NORTH)
FIELD = shapely.box(620_150, 5_350_100, 620_300, 5_350_250)


@dataclasses.dataclass
class ToySite:
    """As much of a site as the DEM reader looks at."""

    folder: object
    dem: Dem
    crs: str | None = None

    @property
    def site(self):
        return self

    @property
    def path(self):
        return self.folder / "site.toml"

    @property
    def boundary(self):
        return Boundary(file="field.gpkg")


def hills(shape=(100, 110)):
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    return (300 + 20 * np.sin(rows / 9) + 15 * np.cos(cols / 7) + 0.1 * cols).astype(np.float32)


def write(path, heights, transform=PLACE, crs=CRS, **profile):
    with rasterio.open(
        path, "w", driver="GTiff", height=heights.shape[0], width=heights.shape[1], count=1,
        dtype=heights.dtype, crs=crs, transform=transform, **profile,
    ) as target:  # fmt: skip
        target.write(heights, 1)
    return path.name


def read(folder, margin_m=100.0, site_crs=None, **dem):
    site = ToySite(folder, Dem(margin_m=margin_m, **dem), site_crs)
    gpd.GeoDataFrame(geometry=[FIELD], crs=CRS).to_file(folder / "field.gpkg")
    return read_dem(site, working_crs(site), FIELD)
