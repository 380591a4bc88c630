"""Reads the dense rows of an earlier plan, as the shelterbelts that they grow into."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj

from siteplanner.reading.published import read_published
from siteplanner.reading.shelter import no_shelter
from siteplanner.site.site_file import Site

#: Share of the wind that passes a mature row whose crowns meet (from memory, judgement).
POROSITY = 0.5
_SHORTEST_M = 15.0


def read_mature_shelter(
    site: Site, species: pd.DataFrame, crs: pyproj.CRS | None
) -> gpd.GeoDataFrame:
    """Give rows of the plan named by ``frost.mature_shelter`` whose crowns will meet, as shelter.

    Lines with ``height_m`` (the row's mean mature height) and ``porosity``. ``species`` are the
    facts of the species table; where it gives no crown, half the height counts. Raises
    :class:`~siteplanner.InputError` where the folder holds no plan.
    """
    if site.frost.mature_shelter is None:
        return no_shelter(crs)
    plan = read_published(site.folder / site.frost.mature_shelter)
    rows = plan.features("rows", ("block", "row", "length_m", "trees"))
    trees = plan.features("trees", ("block", "row", "species"))
    return dense_rows(rows.to_crs(crs) if crs is not None else rows, trees, species)


def dense_rows(
    rows: gpd.GeoDataFrame, trees: pd.DataFrame, species: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Pick the rows in which a mature crown is as wide as the step between trees."""
    facts = species.set_index("botanical_name")
    height = facts["mature_height_m"].astype(float)
    crown = facts.get("crown_m", pd.Series(np.nan, index=facts.index)).astype(float)
    crown = crown.fillna(height / 2)
    each = trees.assign(height=trees["species"].map(height), crown=trees["species"].map(crown))
    mean = each.groupby(["block", "row"])[["height", "crown"]].mean()
    known = rows.join(mean, on=["block", "row"])
    step = known["length_m"] / np.maximum(known["trees"] - 1, 1)
    dense = (
        (known.geom_type == "LineString")
        & (known["length_m"] >= _SHORTEST_M)
        & (step <= known["crown"])
        & known["height"].notna()
    )
    picked = known[dense]
    return gpd.GeoDataFrame(
        {"height_m": picked["height"].to_numpy(), "porosity": np.full(len(picked), POROSITY)},
        geometry=picked.geometry.to_numpy(),
        crs=rows.crs,
    )
