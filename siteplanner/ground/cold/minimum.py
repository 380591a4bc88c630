"""The fit of frost readings: how the coldest night hangs on what the ground is like.

What is fitted is a reading's difference from the station's minimum of the same winter; the
station's record carries it to other winters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import RBFInterpolator

#: Readings are not stretched further than this past the heights they were taken at: deeper
#: inversions are rare (UK forecasting practice caps cold pools at 70 m, 50 m is proposed).
TALLEST_INVERSION_M = 50.0
#: Fewer readings cannot carry a fit; below the second number two predictors are the most;
#: from the third on, what the fit leaves over is interpolated between readings.
FEWEST_READINGS, FEW_READINGS, MANY_READINGS = 4, 15, 30
#: Error where stated defaults stand in for readings, °C (from memory, judgement; wide).
DEFAULT_ERROR = 2.5
_PENALTIES = (0.03, 0.1, 0.3, 1.0, 3.0, 10.0)
_REACHES_M = (100.0, 300.0, 1000.0)


@dataclass(frozen=True)
class Predictor:
    """One thing that the minimum may hang on.

    ``sign`` is the direction it must work in (1 warmer, -1 colder with more of it, 0 either),
    ``default`` the change in °C per unit used without readings, and ``beyond`` how far past
    the readings' range it may be stretched, in its own unit. With ``log`` it is ln(1 + x) that
    counts: the first metres above the cold air, and the first degrees of slope, matter most.
    """

    name: str
    sign: int
    default: float
    beyond: float
    log: bool = False


#: In order of use: the first two always, all from ``FEW_READINGS`` readings on. The defaults
#: are from memory, judgement.
PREDICTORS = (
    Predictor("cold_air_pooling", -1, -4.0, 0.25),
    Predictor("height", 1, 0.005, TALLEST_INVERSION_M),
    Predictor("height_above_cold_air", 1, 0.0, TALLEST_INVERSION_M, log=True),
    Predictor("slope", 1, 0.0, 5.0, log=True),
)


@dataclass(frozen=True)
class MinimumFit:
    """How readings' differences from the station (°C) hang on the predictors.

    The estimate is ``mean + slopes @ (predictors - centre)``, predictors held to ``lowest`` and
    ``highest``, then shaped (ln(1 + x) where ``logs`` says so; ``centre`` is of that shape).
    ``error_c`` is the error of prediction at an average place (each reading left out in turn,
    the penalty chosen anew without it), ``readings`` how many were used.
    ``rest`` holds what is left over at the readings, interpolated from 30 readings on.
    """

    names: tuple[str, ...]
    logs: tuple[bool, ...]
    mean: float
    centre: NDArray[np.float64]
    slopes: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    error_c: float
    readings: int
    spread: NDArray[np.float64]
    inverse: NDArray[np.float64]
    leverage: float
    rest: RBFInterpolator | None = None

    def held(self, predictors: Sequence[ArrayLike]) -> NDArray[np.float32]:
        """Predictors held to the range that the readings speak for, less their centre."""
        parts = [
            _shaped(np.clip(np.asarray(p, np.float32), np.float32(low), np.float32(high)), log)
            - np.float32(middle)
            for p, low, high, log, middle in zip(
                predictors, self.lowest, self.highest, self.logs, self.centre, strict=True
            )
        ]
        return np.stack(parts)

    def difference(self, predictors: Sequence[ArrayLike]) -> NDArray[np.float32]:
        """Difference from the station's minimum, °C, of the predictors' shape.

        What ``rest`` interpolates comes on top.
        """
        away = np.tensordot(self.slopes.astype(np.float32), self.held(predictors), axes=1)
        return np.asarray(away + np.float32(self.mean), dtype=np.float32)

    def standard_error(self, predictors: Sequence[ArrayLike]) -> NDArray[np.float32]:
        """Error of prediction, °C: it grows away from ground that the readings stand on."""
        if not self.inverse.any():
            shape = np.shape(predictors[0])
            known = np.isfinite(np.stack([np.asarray(p) for p in predictors])).all(axis=0)
            return np.where(known, self.error_c, np.nan).astype(np.float32).reshape(shape)
        # Not held to the readings' range: past it the doubt goes on growing.
        scaled = [
            (_shaped(np.asarray(p, np.float32), log) - np.float32(m)) / np.float32(s)
            for p, log, m, s in zip(predictors, self.logs, self.centre, self.spread, strict=True)
        ]
        away = np.zeros_like(scaled[0])
        for i, first in enumerate(scaled):
            for j, second in enumerate(scaled):
                away += np.float32(self.inverse[i, j]) * first * second
        spread = (1 + 1 / self.readings + away) / (1 + self.leverage)
        return np.asarray(self.error_c * np.sqrt(spread), dtype=np.float32)


def fit_minimum(
    difference_c: ArrayLike,
    predictors: Sequence[ArrayLike],
    kinds: Sequence[Predictor] = PREDICTORS,
    places: NDArray[np.float64] | None = None,
) -> MinimumFit:
    """Fit differences from the station (°C, one a reading) on predictors (one array a kind).

    Ridge regression on standardised predictors; one whose slope has the wrong sign is left
    out. The penalty is that with the least error when each reading in turn is left out. With
    fewer than four readings stated defaults are used; ``places`` (n, 2), m, allow what is left
    over to be interpolated from 30 readings on.
    """
    y = np.asarray(difference_c, dtype=np.float64)
    used = len(kinds) if len(y) >= FEW_READINGS else min(2, len(kinds))
    kinds = kinds[:used]
    raw = np.column_stack([np.asarray(p, dtype=np.float64) for p in predictors[:used]])
    names, logs = tuple(kind.name for kind in kinds), tuple(kind.log for kind in kinds)
    x = shaped(raw, kinds)
    beyond = np.array([kind.beyond for kind in kinds])
    if len(y) < FEWEST_READINGS:
        mean = float(y.mean()) if len(y) else 0.0
        centre = x.mean(axis=0) if len(y) else np.zeros(used)
        slopes = np.array([kind.default for kind in kinds])
        # Without a reading the height of the station is not to be guessed at.
        low, high = (centre - 2 * beyond, centre + beyond) if len(y) else (centre, centre)
        for place, kind in enumerate(kinds):
            if kind.name == "cold_air_pooling":
                low[place], high[place] = 0.0, 1.0
        return MinimumFit(
            names,
            logs,
            mean,
            centre,
            slopes,
            low,
            high,
            DEFAULT_ERROR,
            len(y),
            np.ones(used),
            np.zeros((used, used)),
            0.0,
        )
    signs = np.array([kind.sign for kind in kinds])
    penalty = best_penalty(x, y, signs)
    mean, centre, slopes = ridge(x, y, signs, penalty)
    spread = _spread(x)
    scaled = (x - centre) / spread
    inverse: NDArray[Any] = np.linalg.inv(scaled.T @ scaled + penalty * np.eye(used))
    leverage = float(np.mean(1 / len(y) + np.einsum("ij,jk,ik->i", scaled, inverse, scaled)))
    rest, error = None, _left_out_error(x, y, signs)
    if places is not None and len(y) >= MANY_READINGS:
        rest, error = _rest(y - mean - (x - centre) @ slopes, places, error)
    return MinimumFit(
        names,
        logs,
        mean,
        centre,
        slopes,
        _least(raw.min(axis=0) - beyond, kinds),
        raw.max(axis=0) + beyond,
        error,
        len(y),
        spread,
        inverse,
        leverage,
        rest,
    )


def _shaped(values: NDArray[Any], log: bool) -> NDArray[Any]:
    return np.log1p(values) if log else values


def shaped(
    raw: NDArray[np.float64], kinds: Sequence[Predictor] = PREDICTORS
) -> NDArray[np.float64]:
    """Predictors (n, kinds) in the shape that counts."""
    columns = [_shaped(column, kind.log) for column, kind in zip(raw.T, kinds, strict=True)]
    return np.column_stack(columns)


def _least(low: NDArray[np.float64], kinds: Sequence[Predictor]) -> NDArray[np.float64]:
    """Lower ends of ranges; what is taken in logarithm is never negative."""
    return np.where([kind.log for kind in kinds], np.maximum(low, 0), low)


def _spread(x: NDArray[np.float64]) -> NDArray[np.float64]:
    deviation = x.std(axis=0)
    return np.where(deviation > 1e-9, deviation, np.inf)


def ridge(
    x: NDArray[np.float64], y: NDArray[np.float64], signs: NDArray[np.int64], penalty: float
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Mean, centre and slopes per unit; slopes of the wrong sign are nil."""
    centre, spread, mean = x.mean(axis=0), _spread(x), float(y.mean())
    scaled = (x - centre) / spread
    keep = np.ones(x.shape[1], dtype=bool)
    while True:
        part = scaled[:, keep]
        found = np.zeros(x.shape[1])
        found[keep] = np.linalg.solve(
            part.T @ part + penalty * np.eye(keep.sum()), part.T @ (y - mean)
        )
        wrong = np.where(found * signs < 0, np.abs(found), 0)
        if not wrong.any():
            return mean, centre, found / spread
        keep[int(wrong.argmax())] = False


def best_penalty(x: NDArray[np.float64], y: NDArray[np.float64], signs: NDArray[np.int64]) -> float:
    """Penalty with the least error at readings left out one by one.

    For ridge those errors follow from the fit to all: error / (1 - leverage).
    """
    _, centre, slopes = ridge(x, y, signs, 1.0)
    scaled = ((x - centre) / _spread(x))[:, slopes != 0]
    away = y - y.mean()
    left, size, _ = np.linalg.svd(scaled, full_matrices=False)
    best = (np.inf, _PENALTIES[-1])
    for penalty in _PENALTIES:
        shrunk = left * (size**2 / (size**2 + penalty))
        leverage = 1 / len(y) + (shrunk * left).sum(axis=1)
        errors = (away - shrunk @ (left.T @ away)) / np.maximum(1 - leverage, 1e-9)
        best = min(best, (float(np.mean(errors**2)), penalty))
    return best[1]


def _left_out_error(
    x: NDArray[np.float64], y: NDArray[np.float64], signs: NDArray[np.int64]
) -> float:
    """Error of prediction: each reading in turn is left out, and the penalty chosen without it."""
    errors = np.empty(len(y))
    for out in range(len(y)):
        rest = np.arange(len(y)) != out
        penalty = best_penalty(x[rest], y[rest], signs)
        mean, centre, slopes = ridge(x[rest], y[rest], signs, penalty)
        errors[out] = y[out] - mean - (x[out] - centre) @ slopes
    found = float(np.sqrt(np.mean(errors**2)))
    # Three readings to fit on are too few to tell how good the fit is.
    return max(found, DEFAULT_ERROR / 2) if len(y) <= FEWEST_READINGS else found


def _rest(
    left: NDArray[np.float64], places: NDArray[np.float64], error: float
) -> tuple[RBFInterpolator | None, float]:
    """Interpolate what is left over, where that helps readings that were left out."""
    turns = np.arange(len(left)) % 10
    best: tuple[float, float] | None = None
    for reach in _REACHES_M:
        found = np.empty(len(left))
        for turn in range(10):
            out = turns == turn
            found[out] = _smooth(places[~out], left[~out], reach)(places[out])
        gain = float(np.sqrt(np.mean((left - found) ** 2) / np.mean(left**2)))
        if best is None or gain < best[0]:
            best = (gain, reach)
    assert best is not None
    if best[0] >= 1:
        return None, error
    return _smooth(places, left, best[1]), error * best[0]


def _smooth(
    places: NDArray[np.float64], left: NDArray[np.float64], reach: float
) -> RBFInterpolator:
    return RBFInterpolator(
        places, left, kernel="gaussian", epsilon=1 / reach, smoothing=1.0, degree=-1
    )
