"""What is used where a site leaves a file out, and what that costs, told in notes."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd

from siteplanner.reading.climate.station import Climate
from siteplanner.site.site_file import Site

#: The name of the one paddock of a property whose paddocks are not given.
WHOLE = "Whole property"


def whole_property(boundary: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give the property as one paddock to plant."""
    columns = {"name": [WHOLE], "plant": [True], "laid_out": [True]}
    return gpd.GeoDataFrame(columns, geometry=[boundary.union_all()], crs=boundary.crs)


def unknown_soil(boundary: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give the property as one soil polygon of which nothing is known."""
    columns: dict[str, object] = {"unit": ["not mapped"]}
    columns |= {name: pd.Series([None], dtype=object) for name in ("texture", "drainage")}
    columns |= {name: [np.nan] for name in ("depth_m", "ph", "stones_percent")}
    columns |= {name: pd.Series([None], dtype=object) for name in ("sand", "silt", "clay")}
    columns["hint"] = [False]
    return gpd.GeoDataFrame(columns, geometry=[boundary.union_all()], crs=boundary.crs)


def with_own_winters(climate: Climate, readings: gpd.GeoDataFrame) -> Climate:
    """Take the readings' own winters for average ones, where no station has a record."""
    if len(climate.winter_minima) or readings.empty:
        return climate
    by_winter = readings["at_reference_c"].groupby(readings["winter"].astype(int)).mean()
    return replace(climate, winter_minima=by_winter.rename_axis("year").rename("min_c"))


def notes_on_left_out(site: Site, soils: gpd.GeoDataFrame, readings: int) -> list[str]:
    """Say which files are left out, what is therefore unknown, and what that costs."""
    notes = []
    if site.paddocks.file is None:
        notes.append(
            "No paddocks are given: the whole property is one paddock, and all of it is to be "
            "planted but for what is kept clear. Draw the paddocks to choose."
        )
    if soils[["texture", "drainage", "depth_m", "ph", "stones_percent"]].isna().all(axis=None):
        notes.append(
            "No soils are given: texture, drainage, depth, pH and stones are unknown. No species "
            "is refused or preferred for the soil, the best class of suitability is withheld, and "
            "losses from wet, shallow or dry ground are not foreseen. Dig the spots that the plan "
            "lists."
        )
    if site.climate.monthly is None:
        notes.append(
            "No monthly climate is given: rainfall, dryness and growing warmth are unknown. No "
            "species is refused for being too dry or too wet, and planting dates are not narrowed "
            "by the weather. Add the monthly means of the nearest weather station."
        )
    if site.climate.winter_minima is None and readings:
        notes.append(
            "No station's winter minima are given: the winters of the frost readings are taken for "
            "average ones, and a colder winter may be colder than the plan expects."
        )
    elif site.climate.winter_minima is None:
        notes.append(
            "No winter minima and no frost readings are given: how cold it gets is unknown. Frost "
            "refuses no species, so tender ones may be planted where frost kills them. Add a "
            "station's winter minima, or put minimum thermometers out for a winter."
        )
    if site.no_plant is None:
        notes.append(
            "Nothing to keep clear of is given: the plan knows of no power line, building, buried "
            "service, waterway, track or fence, and may plant there. Have services located and "
            "draw what there is before anyone digs."
        )
    return notes
