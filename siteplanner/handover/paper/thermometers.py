"""Where to put more thermometers, as lines for people who carry them there with a handheld."""

from __future__ import annotations

import geopandas as gpd
import shapely

from siteplanner.plan import Plan


def thermometer_lines(plan: Plan) -> list[str]:
    """Say for each spot of ``plan.thermometers`` where it is and what a reading would be worth.

    Spots are T1, T2 … as on the map; each error is with the spots before it read as well.
    """
    spots = plan.thermometers
    if spots.empty:
        return []
    lines = [
        f"T{spot.spot}: latitude {spot.latitude:.5f}, longitude {spot.longitude:.5f} (WGS 84), "
        f"{_whereabouts(plan, shapely.Point(spot.easting, spot.northing))}. One winter's reading "
        "brings the mean error of the coldest night on the planted ground from "
        f"{spot.mean_error_before_c:.2f} to {spot.mean_error_after_c:.2f} °C"
        f"{'' if number == 0 else ', once the spots above are read too'}."
        for number, spot in enumerate(spots.itertuples())
    ]
    return [
        *lines,
        "Put each minimum thermometer 1.2 m above the ground in the open, shaded from the sky.",
    ]


def _whereabouts(plan: Plan, place: shapely.Point) -> str:
    """Name the zone that a place is in, or nearest to, and the paddock that it is in."""
    zone = plan.zones["zone"].iloc[int(plan.zones.distance(place).to_numpy().argmin())]
    named = _holding(plan.paddocks, place)
    return f"zone {zone}" + (f", paddock {named}" if named else "")


def _holding(areas: gpd.GeoDataFrame, place: shapely.Point) -> str:
    inside = areas[areas.intersects(place)]
    return str(inside["name"].iloc[0]) if len(inside) else ""
