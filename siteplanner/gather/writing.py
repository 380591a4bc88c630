"""Writes vector files of what was gathered."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import geopandas as gpd
import pyogrio

_OPTIONS = {"VERSION": "1.2"}


def write_features(path: Path, layers: Mapping[str, gpd.GeoDataFrame], words: str) -> None:
    """Write layers into a GeoPackage that does not exist yet, those with features alone.

    ``words`` go with each layer as its description: whose the data are.
    """
    for name, frame in layers.items():
        if frame.empty:
            continue
        pyogrio.write_dataframe(
            frame, path, layer=name, driver="GPKG", append=path.exists(),
            promote_to_multi="Polygon" in set(frame.geom_type.str.removeprefix("Multi")),
            dataset_options=_OPTIONS, layer_options={"DESCRIPTION": words},
        )  # fmt: skip
