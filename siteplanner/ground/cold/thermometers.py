"""Where one more thermometer would make the estimate of the coldest night surest."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyproj

from siteplanner.base.grid import BoolGrid
from siteplanner.ground.cold.minimum import INSTRUMENT_C, MICROSITE_C, Floats, MinimumFit
from siteplanner.ground.cold.predictors import NightGround

COLUMNS = (
    "spot", "easting", "northing", "longitude", "latitude", "error_there_c",
    "mean_error_before_c", "mean_error_after_c",
)  # fmt: skip
_SPOTS = 3
#: Cells looked at, evenly spread over the ground: their covariances are all held at once.
_CELLS = 1200


def best_thermometers(
    fit: MinimumFit, ground: NightGround, planted: BoolGrid, count: int = _SPOTS
) -> pd.DataFrame:
    """Choose the spots on ``planted`` ground where a reading would lower the error most.

    One after the other, each given those before it (greedy): the spot whose reading of one
    winter takes most off the posterior variance summed over the planted ground. Where to read
    does not hang on what will be read. Columns ``COLUMNS``, errors in °C for a winter that was
    not read; ``mean_error_after_c`` with this spot and those before it.
    """
    rows, cols = np.nonzero(planted & np.isfinite(np.stack(ground.layers)).all(axis=0))
    step = max(1, -(-len(rows) // _CELLS))
    rows, cols = rows[step // 2 :: step], cols[step // 2 :: step]
    if not len(rows):
        return pd.DataFrame(columns=list(COLUMNS))
    move = ground.grid.transform  # north up
    x, y = move.c + (cols + 0.5) * move.a, move.f + (rows + 0.5) * move.e
    at = [layer[rows, cols] for layer in ground.layers]
    left = fit.covariance(at, np.column_stack([x, y]))
    own = MICROSITE_C**2 + INSTRUMENT_C**2 + fit.winter_all_c**2 + fit.winter_place_c**2
    to_degrees = pyproj.Transformer.from_crs(ground.grid.crs, "EPSG:4326", always_xy=True)
    found = []
    for spot in range(1, min(count, len(rows)) + 1):
        before = _errors(fit, left)
        gain = (left**2).sum(axis=0) / (np.diag(left) + fit.scale * own)
        one = int(gain.argmax())
        seen = left[one] / np.sqrt(left[one, one] + fit.scale * own)
        left = left - np.outer(seen, seen)
        lon, lat = to_degrees.transform(x[one], y[one])
        found.append(
            (
                str(spot),
                round(float(x[one])),
                round(float(y[one])),
                round(float(lon), 6),
                round(float(lat), 6),
                round(float(before[one]), 2),
                round(float(before.mean()), 2),
                round(float(_errors(fit, left).mean()), 2),
            )
        )
    return pd.DataFrame(found, columns=list(COLUMNS))


def _errors(fit: MinimumFit, covariance: Floats) -> Floats:
    """Errors (°C) of places with this posterior covariance, for a winter that was not read."""
    winter = fit.winter_all_c**2 + fit.winter_place_c**2
    return np.asarray(
        fit.quantile() * np.sqrt(np.diag(covariance) + fit.scale * MICROSITE_C**2 + winter)
    )


def thermometer_words(spots: pd.DataFrame) -> list[str]:
    """Say what the spots would be worth, in one sentence."""
    if spots.empty:
        return []
    before, after = spots["mean_error_before_c"].iloc[0], spots["mean_error_after_c"].iloc[-1]
    places = "; ".join(f"{s.spot}: {s.easting:.0f}, {s.northing:.0f}" for s in spots.itertuples())
    count = f"{len(spots)} more minimum thermometers" if len(spots) > 1 else "One more thermometer"
    return [
        f"{count} for one winter, at easting and northing {places} (thermometers.csv), would "
        f"bring the mean error of the coldest night on the planted ground from {before:.2f} to "
        f"about {after:.2f} °C. Put them 1.2 m above the ground in the open, shaded from the sky."
    ]
