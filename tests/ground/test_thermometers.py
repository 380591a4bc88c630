"""Where the next thermometer helps most, against trying every spot."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from ground.surfaces import grid_of, hills
from ground.test_minimum import STATION

from siteplanner.ground.cold import thermometers
from siteplanner.ground.cold.minimum import PREDICTORS, fit_minimum
from siteplanner.ground.cold.predictors import NightGround

SHAPE, CELL = (24, 30), 40.0


@pytest.fixture(scope="module")
def made():
    """Ground of 720 cells with five readings in its west, fitted."""
    grid = grid_of(SHAPE, CELL)
    rng = np.random.default_rng(1)
    layers = [np.zeros(SHAPE, np.float32) for _ in PREDICTORS]
    layers[0] = hills(SHAPE, 3, CELL) - 200
    layers[1] = rng.random(SHAPE, dtype=np.float32)
    ground = NightGround(tuple(layers), layers[1], grid)
    return ground, fit_at(ground, [(3, 2), (9, 5), (20, 3), (12, 8), (5, 9)])


def fit_at(ground, cells):
    at = [np.array([layer[cell] for cell in cells]) for layer in ground.layers]
    places = np.array([ground.grid.transform * (c + 0.5, r + 0.5) for r, c in cells])
    return fit_minimum(np.zeros(len(cells)), at, places, station_m=STATION)


def test_first_spot_is_the_best_of_all_spots(made):
    """Adding a reading there, at one scale, leaves less variance than adding it anywhere else."""
    ground, fit = made
    planted = np.zeros(SHAPE, bool)
    planted[4:20:3, 6:28:3] = True
    spots = thermometers.best_thermometers(fit, ground, planted)
    rows, cols = np.nonzero(planted)
    at = [layer[rows, cols] for layer in ground.layers]
    places = np.column_stack(ground.grid.transform * (cols + 0.5, rows + 0.5))
    read = [(3, 2), (9, 5), (20, 3), (12, 8), (5, 9)]
    left = []
    for cell in zip(rows, cols, strict=True):
        more = fit_at(ground, [*read, cell])
        left.append(np.trace(more.covariance(at, places)) / more.scale)
    # The same winter is shared by all readings here, by the new one alone there: nearly equal.
    best = places[int(np.argmin(left))]
    chosen = spots.loc[0, ["easting", "northing"]].to_numpy(float)
    at_chosen = int(np.hypot(*(places - chosen).T).argmin())
    assert left[at_chosen] <= min(left) * 1.02
    assert np.hypot(*(best - chosen)) < 400


def test_error_falls_with_every_spot_and_spots_lie_on_planted_ground(made):
    ground, fit = made
    planted = np.zeros(SHAPE, bool)
    planted[:, 15:] = True
    spots = thermometers.best_thermometers(fit, ground, planted)
    assert spots["spot"].tolist() == ["1", "2", "3"]
    errors = [spots["mean_error_before_c"][0], *spots["mean_error_after_c"]]
    assert all(a > b for a, b in pairwise(errors))
    rows, cols = ground.grid.rows_cols(
        spots["easting"].to_numpy(float), spots["northing"].to_numpy(float)
    )
    assert planted[rows, cols].all()
    (said,) = thermometers.thermometer_words(spots)
    assert said.startswith("3 more minimum thermometers")
    assert f"from {errors[0]:.2f} to about {errors[-1]:.2f} °C" in said


def test_no_planted_ground_wants_no_thermometer(made):
    ground, fit = made
    spots = thermometers.best_thermometers(fit, ground, np.zeros(SHAPE, bool))
    assert spots.empty and thermometers.thermometer_words(spots) == []


def test_spots_do_not_hang_on_what_was_read(made):
    """The variance alone decides, not the figures."""
    ground, _ = made
    cells = [(3, 2), (9, 5), (20, 3)]
    planted = np.ones(SHAPE, bool)
    at = [np.array([layer[c] for c in cells]) for layer in ground.layers]
    places = np.array([ground.grid.transform * (c + 0.5, r + 0.5) for r, c in cells])
    found = [
        thermometers.best_thermometers(
            fit_minimum(y, at, places, station_m=STATION), ground, planted
        )[["easting", "northing"]].to_numpy()
        for y in (np.zeros(3), np.array([-9.0, 4.0, 1.0]))
    ]
    np.testing.assert_array_equal(*found)
