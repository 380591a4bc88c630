"""What the model of the coldest night reads of the ground, layer by layer, and where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground.cold.minimum import (
    PREDICTORS,
    STATION_C,
    UNKNOWN_HEIGHT_M,
    MinimumFit,
    fit_minimum,
)


def facing_pole(slope: FloatGrid, aspect: FloatGrid, latitude: float) -> FloatGrid:
    """How far ground faces the nearer pole: 1 a cliff towards it, 0 level, -1 a cliff away.

    Sine of ``slope`` times cosine of ``aspect`` (degrees from true north; unknown on level
    ground, which counts as 0).
    """
    towards = np.where(np.isfinite(aspect), np.cos(np.radians(aspect)), np.float32(0))
    side = np.float32(1 if latitude >= 0 else -1)
    return (side * np.sin(np.radians(slope)) * towards).astype(np.float32)


@dataclass(frozen=True)
class NightGround:
    """What the model of the coldest night needs to know of the ground.

    ``layers`` holds a layer for each of ``minimum.PREDICTORS``, in their order. ``today`` is
    ``cold_air_pooling`` without rows of an earlier plan taken for grown: readings know nothing
    of rows yet to grow.
    """

    layers: tuple[FloatGrid, ...]
    today: FloatGrid
    grid: Grid

    @classmethod
    def of(
        cls, layers: Mapping[str, FloatGrid], dem: FloatGrid, grid: Grid, latitude: float
    ) -> NightGround:
        """Gather it from layers by name, ``cold_air_pooling_today`` among them."""
        pole = facing_pole(layers["slope"], layers["aspect"], latitude)
        all_of = {**layers, "height": dem, "facing_pole": pole}
        used = tuple(all_of[kind.name] for kind in PREDICTORS)
        return cls(used, layers["cold_air_pooling_today"], grid)

    def at(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        """Predictors at places, as things stand today."""
        by_name = zip(PREDICTORS, self.layers, strict=True)
        today = [self.today if k.name == "cold_air_pooling" else v for k, v in by_name]
        return [self.grid.sample(values, x, y).astype(np.float64) for values in today]

    def fit(
        self,
        frost_readings: gpd.GeoDataFrame,
        station_m: float | None,
        minima_error_c: float = 0.0,
    ) -> MinimumFit:
        """Fit the readings (columns ``difference_c`` and ``winter``) on the ground they stand on.

        ``station_m`` is the station's height; None takes that of the site's middle ground, with
        more doubt; ``minima_error_c`` is doubt about its winters. Readings whose ground is
        unknown are left out.
        """
        x, y = frost_readings.geometry.x.to_numpy(), frost_readings.geometry.y.to_numpy()
        at = self.at(x, y)
        known = np.isfinite(np.stack(at)).all(axis=0)
        doubt = float(np.hypot(STATION_C, minima_error_c))
        if station_m is None:
            station_m = float(np.nanmedian(self.layers[0]))
            doubt = float(np.hypot(doubt, UNKNOWN_HEIGHT_M * PREDICTORS[0].spread))
        return fit_minimum(
            frost_readings["difference_c"].to_numpy(dtype=np.float64)[known],
            [a[known] for a in at],
            np.column_stack([x, y])[known],
            frost_readings["winter"].to_numpy()[known],
            station_m=station_m,
            station_c=doubt,
        )
