"""``catchment.gpkg``: the sites with their figures and, where asked for, blurred mother trees."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio

from siteplanner.base.symbology.colours import BLACK, GREEN, ORANGE
from siteplanner.base.symbology.styles import Rule, Style, Symbol
from siteplanner.catchment.planned import Planned
from siteplanner.handover.gis.geopackage import fixed_gdal_options, layer_styles

WHOLE = ("trees", "infill", "order", "order_least", "order_most", "warnings")


def site_table(sites: Mapping[str, Planned]) -> gpd.GeoDataFrame:
    """Give one row a site: ``site`` (its folder), ``name``, its figures, and its boundary.

    EPSG:4326. The figures are those of :class:`~siteplanner.catchment.planned.Planned`.
    """
    figures = pd.DataFrame([plan.figures for plan in sites.values()])
    figures = figures.astype(dict.fromkeys(WHOLE, np.int64))
    return gpd.GeoDataFrame(
        {"site": list(sites), "name": [plan.name for plan in sites.values()], **figures},
        geometry=[plan.boundary for plan in sites.values()],
        crs=4326,
    )


def mother_table(mothers: Sequence[tuple[str, pd.DataFrame]], grid_m: float) -> gpd.GeoDataFrame:
    """Give one row a species and square: ``site, species, trees, blurred_to_m`` and its middle."""
    frame = pd.concat([part.assign(site=site) for site, part in mothers], ignore_index=True)
    return gpd.GeoDataFrame(
        {
            "site": frame["site"],
            "species": frame["species"],
            "trees": frame["trees"].astype(np.int64),
            "blurred_to_m": np.full(len(frame), grid_m),
        },
        geometry=gpd.points_from_xy(frame["lon"], frame["lat"]),
        crs=4326,
    )


def write_summary(sites: gpd.GeoDataFrame, mothers: gpd.GeoDataFrame | None, path: Path) -> None:
    """Write the layers ``sites`` and, where given, ``mother_trees_blurred``, with their styles.

    The same tables give the same bytes.
    """
    layers = {"sites": ("MultiPolygon", sites)}
    styles = {"sites": Style([Rule("site", Symbol("fill", GREEN, BLACK, 0.4, 0.35))], label="name")}
    if mothers is not None:
        name = "mother_trees_blurred"
        layers[name] = ("Point", mothers)
        square = Symbol("marker", ORANGE, edge=BLACK, size_mm=3.0, shape="square")
        styles[name] = Style([Rule("square with mother trees", square)], label="species")
    with fixed_gdal_options():
        for name, (geometry, frame) in layers.items():
            pyogrio.write_dataframe(
                frame,
                path,
                layer=name,
                driver="GPKG",
                geometry_type=geometry,
                append=path.exists(),
                dataset_options={"VERSION": "1.2"},
                layer_options={"GEOMETRY_NAME": "geom", "FID": "fid"},
            )
        pyogrio.write_dataframe(
            layer_styles(styles, "as in the report"),
            path,
            layer="layer_styles",
            driver="GPKG",
            append=True,
            layer_options={"FID": "id", "DATETIME_PRECISION": "MILLISECOND"},
        )
