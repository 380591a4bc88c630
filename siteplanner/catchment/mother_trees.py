"""Mother trees blurred: which species stand in which square of a coarse grid, and no more."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from siteplanner.reading.files.features import POINTS, read_features
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.site.site_file import Site

COLUMNS = ["species", "trees", "lon", "lat"]


def blurred(site: Site, grid_m: float) -> pd.DataFrame:
    """Count a site's mother trees by species and square, ``grid_m`` wide, of its metric CRS.

    ``lon`` and ``lat`` are the middle of the square, to five decimals. Raises
    :class:`~siteplanner.InputError`.
    """
    part = site.seed_sources
    if part is None:
        return pd.DataFrame({c: [] for c in COLUMNS}).astype({"trees": np.int64})
    names = part.columns.model_dump()
    sources = read_features(site.folder / part.file, part.layer, names, working_crs(site), POINTS)
    squares = np.floor(shapely.get_coordinates(sources.geometry.to_numpy()) / grid_m)
    frame = pd.DataFrame(
        {"species": sources["species"].astype(object), "x": squares[:, 0], "y": squares[:, 1]}
    )
    found = frame.groupby(["species", "x", "y"], sort=True).size().rename("trees").reset_index()
    middles = gpd.points_from_xy(
        (found["x"] + 0.5) * grid_m, (found["y"] + 0.5) * grid_m, crs=sources.crs
    ).to_crs(4326)
    return found.assign(lon=middles.x.round(5), lat=middles.y.round(5))[COLUMNS]
