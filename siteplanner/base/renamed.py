"""Names that a user may still write in the old way; the answer gives the name of today.

An old name is never taken for the new one: what a file says is what is done.
"""

from __future__ import annotations

from collections.abc import Iterable

from siteplanner.base.errors import near

#: Old name of a layer, of a layer function or of what one may ask for, and today's.
LAYERS: dict[str, str] = {
    "heights_filled": "void_filled",
    "smooth_heights": "terrace_smoothed_dem",
    "filled_dem": "depression_filled_dem",
    "specific_catchment": "specific_contributing_area",
    "height_above_channel": "height_above_nearest_drainage",
    "slope_positions": "topographic_positions",
    "slope_position_near": "topographic_position_30m",
    "slope_position": "topographic_position_150m",
    "slope_position_far": "topographic_position_600m",
    "lower_share": "elevation_percentile",
    "hollowness": "multi_scale_concavity",
    "sky_view": "sky_view_factor",
    "horizon_height": "mean_horizon_angle",
    **{
        f"{old}_{month:02d}": f"{new}_{month:02d}"
        for old, new in (
            ("beam", "direct_irradiation"),
            ("diffuse", "diffuse_irradiation"),
            ("light", "global_irradiation"),
        )
        for month in range(1, 13)
    },
    "cold_air_night": "nocturnal_cold_air_drainage",
    "cold_air_gaps": "cold_air_lanes",
    "catchment_cut": "edge_contamination_catchment",
    "cold_air_cut": "edge_contamination_cold_air",
    "grown": "mature_shelter",
}
#: Old name of a setting in a site file, and today's.
SETTINGS: dict[str, str] = {
    "grown": "mature_shelter",
    "row_gap_m": "row_spacing_m",
    "fence_gap_m": "fence_within_m",
    "gap_m": "lane_m",
    "lowest_fit": "lowest_suitability",
    "role_fit": "role_suitability",
}


def instead(name: str, choices: Iterable[str]) -> str:
    """Say what to write for a name that there is not: today's name, or the nearest ones.

    >>> instead("lower_share", ["slope"])
    'it is now called elevation_percentile'
    >>> instead("slop", ["slope"])
    "did you mean 'slope'?"
    """
    today = (LAYERS | SETTINGS).get(name)
    return f"it is now called {today}" if today else near(name, choices)
