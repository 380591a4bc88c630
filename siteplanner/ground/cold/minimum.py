"""The model of frost readings: how the coldest night hangs on the ground, for any number of them.

What is modelled is a place's difference (°C) from the station's minimum of the same winter:

    difference = station + slopes @ (predictors - references) + field(x, y) + winter + microsite

a Gaussian process with a linear mean, fitted as one. The linear part has normal priors
(``PREDICTORS``); they are integrated out, so with no reading at all the prior is the estimate.
The field has a Matérn 3/2 covariance at three lengths. All variances share one unknown scale
with an inverse-gamma prior, which makes what is predicted a Student t: few readings give wide
errors (a Student-t process: Shah, Wilson & Ghahramani 2014, abstract as seen). No
hyperparameter is tuned; each is stated here with its reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import KDTree
from scipy.spatial.distance import cdist
from scipy.special import stdtrit

from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground.cold.products import thin_product

Floats = NDArray[np.float64]

#: Fewer readings than this say little beside the prior; the plan says so.
FEWEST_READINGS = 4
#: Doubt (°C) about a place on station-like ground: the station is not on the property. From
#: memory, judgement.
STATION_C = 2.0
#: Doubt (m) about the station's height where the site file does not give it. Judgement.
UNKNOWN_HEIGHT_M = 300.0
#: Deviation (°C) and lengths (m) of the smooth field: what weather and ground do that no
#: predictor says. No single length is right, so three share it evenly. Judgement.
FIELD_C, LENGTHS_M = 0.7, (300.0, 1000.0, 3000.0)
#: Deviation (°C) of a place from the smooth field (trees, walls, soil, a hollow lost in the DEM),
#: and of a simple thermometer (small loggers are sold as good to about half a degree). From
#: memory, judgement.
MICROSITE_C, INSTRUMENT_C = 0.5, 0.3
#: How much one winter's differences deviate from an average winter's: all places together
#: against the station, and each place on its own (°C); two winters then differ by 1.0 °C at a
#: place. Judgement; learnt where places were read in several winters.
WINTER_ALL_C, WINTER_PLACE_C = 0.5, 0.5
#: How many observations the priors of scale and of the winters' deviations are worth.
_WORTH = 4.0
#: Readings closer than this are of one place.
_SAME_PLACE_M = 10.0
#: The field is worked out on steps of this share of its shortest length, and in between.
_STEP = 1 / 8
_CELLS_A_RUN, _POINTS_A_RUN = 65_536, 8_192
#: Two in three: the share that an error stands for, as one standard deviation does of a normal.
TWO_IN_THREE = 0.6827


@dataclass(frozen=True)
class Predictor:
    """One thing that the minimum hangs on, and what is believed of it before any reading.

    ``mean`` and ``spread`` are of the slope, °C per unit. ``reference`` is its value where a
    station stands: level, open ground (NaN: given with the station). With ``log`` it is
    ln(1 + x) that counts: the first metres above cold air, and the first degrees, matter most.
    """

    name: str
    unit: str
    mean: float
    spread: float
    reference: float
    log: bool = False

    def shaped(self, values: ArrayLike) -> NDArray[np.float32]:
        """Values in the shape that counts."""
        given = np.asarray(values, dtype=np.float32)
        return np.log1p(np.maximum(given, 0)) if self.log else given


#: The priors are physics and judgement, not fitted to any readings. Height: air cools by some 0.6
#: °C in 100 m on average (0.55 to 0.65 in the sources that Rolland 2003, J. Climate 16, lists) and
#: warms upward in an inversion, so nil, give or take that. A full cold-air pool: 4 °C colder, give
#: or take 2 (strong pools pass 4 °C on 12 % of nights: Clun valley, COLPEX). 50 m above the cold
#: air, and ground of 30 degrees, are some 1.2 and 1.0 °C warmer than air and level ground beside.
#: A hollow of 0.1 m/m is 0.3 °C colder. Facing the pole: unknown sign. All from memory,
#: judgement, but for the figures named.
PREDICTORS = (
    Predictor("height", "m", 0.0, 0.006, np.nan),
    Predictor("cold_air_pooling", "index", -4.0, 2.0, 0.2),
    Predictor("height_above_cold_air", "m", 0.3, 0.3, 10.0, log=True),
    Predictor("slope", "degrees", 0.3, 0.3, 2.0, log=True),
    Predictor("multi_scale_concavity", "m/m", -3.0, 3.0, 0.0),
    Predictor("facing_pole", "share", 0.0, 1.5, 0.0),
)


@dataclass(frozen=True)
class Estimate:
    """What the model says of places: ``difference`` from the station and errors, °C.

    ``error`` is for a winter that was not read, ``error_read`` for the winters that were; two in
    three places lie within them. ``difference`` is of an average winter, ``difference_read`` of
    the winters that were read.
    """

    difference: NDArray[np.float32]
    error: NDArray[np.float32]
    difference_read: NDArray[np.float32]
    error_read: NDArray[np.float32]


@dataclass(frozen=True)
class MinimumFit:
    """The posterior: ``slopes`` (1 + predictors + winters) with ``root`` of their covariance.

    ``root @ root.T`` is the covariance before it is multiplied by ``scale`` (°C²). ``places``
    (n, 2), m, and ``root_inverse`` (n, n), the inverse root of the readings' covariance about
    the linear part, carry the field; ``left`` and ``seen`` are the readings less the linear part
    and its columns, both in that root. ``winters`` weighs the winters that were read;
    ``winter_all_c`` and ``winter_place_c`` are what a winter deviates by. ``readings`` counts
    readings, ``len(places)`` places.
    """

    station_m: float
    slopes: Floats
    root: Floats
    scale: float
    freedom: float
    places: Floats
    root_inverse: Floats
    left: Floats
    seen: Floats
    winters: Floats
    winter_all_c: float
    winter_place_c: float
    readings: int

    def quantile(self, share: float = TWO_IN_THREE) -> float:
        """Half-width, in units of the scaled deviation, that holds ``share`` of cases."""
        return float(stdtrit(self.freedom, (1 + share) / 2))

    @property
    def winter_c(self) -> float:
        """The part of ``Estimate.error``, °C, that one winter deviates by from the average."""
        return self.quantile() * float(np.hypot(self.winter_all_c, self.winter_place_c))

    def at(self, predictors: Sequence[ArrayLike], places: Floats) -> Estimate:
        """Estimate for n places: one array (n,) a predictor, and ``places`` (n, 2), m."""
        shaped = self._shaped(predictors)
        return self._combine(shaped, self._field(np.asarray(places, dtype=np.float64)))

    def parts(self, predictors: Sequence[float], place: tuple[float, float]) -> dict[str, float]:
        """What the difference at one place is made of, °C: ``station``, predictors, ``nearby``.

        ``station`` is how this neighbourhood differs from the station on like ground; ``nearby``
        what readings around say beyond that. They add up to the difference.
        """
        shaped = self._shaped([[value] for value in predictors])[:, 0]
        names = [kind.name for kind in PREDICTORS]
        by_kind = self.slopes[1 : 1 + len(names)] * shaped
        field = self._field(np.array([place]))[0, 0]
        return {"station": float(self.slopes[0]), **dict(zip(names, by_kind, strict=True)),
                "nearby": float(field)}  # fmt: skip

    def on_grid(self, layers: Sequence[FloatGrid], grid: Grid) -> Estimate:
        """Estimate for every cell of ``grid``; one layer (rows, columns) a predictor.

        The field's share is smooth in x and y alone, so it is worked out on coarser steps and
        taken linear between them; all else is exact. Works a run of rows at a time.
        """
        rows, cols = grid.shape
        step = max(1, int(LENGTHS_M[0] * _STEP / grid.cell))
        coarse = self._coarse(grid, step)
        along = np.arange(cols, dtype=np.float32) / np.float32(step)
        left = np.minimum(along.astype(np.intp), coarse.shape[2] - 2)
        right = along - left.astype(np.float32)
        out = [np.empty(grid.shape, dtype=np.float32) for _ in range(4)]
        run = max(1, _CELLS_A_RUN // cols)
        for top in range(0, rows, run):
            here = np.s_[top : min(top + run, rows)]
            down = np.arange(top, min(top + run, rows), dtype=np.float32) / np.float32(step)
            upper = np.minimum(down.astype(np.intp), coarse.shape[1] - 2)
            lower = (down - upper.astype(np.float32))[:, None]
            bands = coarse[:, upper] * (1 - lower) + coarse[:, upper + 1] * lower
            field = bands[:, :, left] * (1 - right) + bands[:, :, left + 1] * right
            shaped = self._shaped([layer[here].ravel() for layer in layers])
            made = self._combine(shaped, field.reshape(len(field), -1))
            for whole, part in zip(
                out,
                (made.difference, made.error, made.difference_read, made.error_read),
                strict=True,
            ):
                whole[here] = part.reshape(-1, cols)
        return Estimate(*out)

    def covariance(self, predictors: Sequence[ArrayLike], places: Floats) -> Floats:
        """Posterior covariance (n, n) of average winters' minima between places, °C².

        Without what each place has of its own (``MICROSITE_C``).
        """
        places = np.asarray(places, dtype=np.float64)
        near = field_covariance(places, self.places) @ self.root_inverse.T
        away = self._columns(self._shaped(predictors)) - near @ self.seen
        spread = away @ self.root
        own = field_covariance(places, places) - near @ near.T
        return np.asarray(self.scale * (own + spread @ spread.T))

    def _shaped(self, predictors: Sequence[ArrayLike]) -> NDArray[np.float32]:
        return shaped_predictors(predictors, self.station_m)

    def _columns(self, shaped: NDArray[np.float32]) -> Floats:
        """Columns of the linear part for an average winter, (n, 1 + predictors + winters)."""
        count = shaped.shape[1]
        none = np.zeros((count, len(self.winters)))
        return np.column_stack([np.ones(count), shaped.T, none])

    def _field(self, places: Floats) -> NDArray[np.float32]:
        """Smooth parts (2 + columns, n): the field's mean, its variance, the columns it knows."""
        out = np.empty((2 + len(self.slopes), len(places)), dtype=np.float32)
        root = self.root_inverse.astype(np.float32)
        left, seen = self.left.astype(np.float32), self.seen.T.astype(np.float32)
        for first in range(0, len(places), _POINTS_A_RUN):
            part = np.s_[first : first + _POINTS_A_RUN]
            near = thin_product(root, _matern(cdist(self.places, places[part]).astype(np.float32)))
            out[0, part] = left @ near
            out[1, part] = FIELD_C**2 - np.einsum("ij,ij->j", near, near)
            out[2:, part] = thin_product(seen, near)
        return out

    def _coarse(self, grid: Grid, step: int) -> NDArray[np.float32]:
        """Smooth parts on every ``step``-th cell, one more than needed on each side."""
        rows, cols = (np.arange((n - 1) // step + 2) * step for n in grid.shape)
        c, r = np.meshgrid(cols + 0.5, rows + 0.5)
        x, y = grid.transform * (c.ravel(), r.ravel())
        return self._field(np.column_stack([x, y])).reshape(-1, len(rows), len(cols))

    def _combine(self, shaped: NDArray[np.float32], field: NDArray[np.float32]) -> Estimate:
        """Put the linear part and the field together; ``shaped`` (predictors, n).

        A winter that was not read adds its own deviations, which are learnt from winters and do
        not follow the scale.
        """
        slopes, root = self.slopes.astype(np.float32), self.root.astype(np.float32)
        kinds = len(shaped)
        difference = slopes[0] + slopes[1 : 1 + kinds] @ shaped + field[0]
        away = -field[2:]
        away[0] += 1
        away[1 : 1 + kinds] += shaped
        spread = thin_product(root.T, away)
        in_read = np.concatenate([np.zeros(1 + kinds), self.winters]).astype(np.float32)
        own = np.maximum(field[1], 0) + np.float32(MICROSITE_C**2)
        average = self.scale * (own + (spread**2).sum(axis=0))
        spread += (root.T @ in_read)[:, None]
        each = self.winter_place_c**2 / max(len(self.winters), 1)
        read = self.scale * (own + each + (spread**2).sum(axis=0))
        other = average + self.winter_all_c**2 + self.winter_place_c**2
        wide = np.float32(self.quantile())
        return Estimate(
            difference,
            wide * np.sqrt(other, dtype=np.float32),
            difference + in_read @ slopes,
            wide * np.sqrt(read, dtype=np.float32),
        )


def shaped_predictors(predictors: Sequence[ArrayLike], station_m: float) -> NDArray[np.float32]:
    """Predictors in the shape that counts, less their references: (predictors, n)."""
    parts = []
    for kind, values in zip(PREDICTORS, predictors, strict=True):
        reference = station_m if np.isnan(kind.reference) else kind.reference
        parts.append(kind.shaped(values) - kind.shaped(reference))
    return np.stack(parts)


def field_covariance(first: Floats, second: Floats) -> Floats:
    """Matérn 3/2 covariance (n, m), °C², of the smooth field between places (n, 2), (m, 2), m."""
    return _matern(cdist(first, second))


def _matern(apart: NDArray[Any]) -> NDArray[Any]:
    total = np.zeros_like(apart)
    share = FIELD_C**2 / len(LENGTHS_M)
    for length in LENGTHS_M:
        away = apart * apart.dtype.type(np.sqrt(3) / length)
        fading = np.exp(-away)
        away += 1
        away *= fading
        total += away
    total *= apart.dtype.type(share)
    return total


def same_place(places: Floats) -> NDArray[np.intp]:
    """Number of the place that each reading (n, 2), m, is of: those within 10 m are of one."""
    if not len(places):
        return np.zeros(0, dtype=np.intp)
    pairs = KDTree(places).query_pairs(_SAME_PLACE_M, output_type="ndarray")
    joined = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(places),) * 2)
    return np.asarray(connected_components(joined, directed=False)[1], dtype=np.intp)


def fit_minimum(
    difference_c: ArrayLike,
    predictors: Sequence[ArrayLike],
    places: ArrayLike,
    winters: ArrayLike | None = None,
    *,
    station_m: float,
    station_c: float = STATION_C,
) -> MinimumFit:
    """Fit n readings' differences from the station (°C), none upward.

    ``predictors`` holds an array (n,) a kind of ``PREDICTORS``, ``places`` is (n, 2), m, and
    ``winters`` the winter of each reading (None: all of one). ``station_m`` is the station's
    height, ``station_c`` the doubt about a place like it. Readings of one place are averaged
    first: several winters of one instrument are one place, not several.
    """
    y = np.asarray(difference_c, dtype=np.float64)
    at = np.asarray(places, dtype=np.float64).reshape(-1, 2)
    shaped = shaped_predictors(predictors, station_m).astype(np.float64)
    place = same_place(at)
    winter = np.zeros(len(y), dtype=np.intp)
    if winters is not None:
        winter = np.unique(np.asarray(winters), return_inverse=True)[1]
    all_c, place_c = winter_deviations(y, place, winter)
    of_place, of_winter = (np.equal.outer(np.unique(n), n).astype(float) for n in (place, winter))
    counts = of_place.sum(axis=1)
    average = of_place / counts[:, None]
    columns = np.column_stack([np.ones(len(y)), shaped.T, of_winter.T])
    prior = np.array([0.0, *(kind.mean for kind in PREDICTORS), *np.zeros(len(of_winter))])
    spread = np.array(
        [station_c, *(kind.spread for kind in PREDICTORS), *np.full(len(of_winter), all_c)]
    )
    seen_at = average @ at
    own = MICROSITE_C**2 + (place_c**2 + INSTRUMENT_C**2) / counts
    lower = cholesky(field_covariance(seen_at, seen_at) + np.diag(own), lower=True)
    root_inverse = solve_triangular(lower, np.eye(len(counts)), lower=True)
    seen = root_inverse @ average @ columns
    off = root_inverse @ average @ (y - columns @ prior)
    # The posterior of the slopes in units of their priors, which keeps the numbers even.
    precision = np.eye(len(prior)) + np.outer(spread, spread) * (seen.T @ seen)
    half = solve_triangular(cholesky(precision, lower=True), np.eye(len(prior)), lower=True)
    root = spread[:, None] * half.T
    found = root @ root.T @ seen.T @ off
    # off' K^-1 off with the slopes integrated out, by their posterior.
    misfit = float(off @ off - (seen.T @ off) @ found)
    freedom = _WORTH + len(counts)
    return MinimumFit(
        station_m,
        prior + found,
        root,
        (_WORTH + misfit) / freedom,
        freedom,
        seen_at,
        root_inverse,
        off - seen @ found,
        seen,
        of_winter.sum(axis=1) / max(len(y), 1),
        all_c,
        place_c,
        len(y),
    )


def winter_deviations(
    difference_c: Floats, place: NDArray[np.intp], winter: NDArray[np.intp]
) -> tuple[float, float]:
    """Deviations (°C) of one winter from the average: of all places together, of each alone.

    From places read in several winters (place, winter and rest, by least squares), drawn to the
    stated priors, which are worth four observations each (scaled inverse chi-squared).
    """
    places, winters = (len(np.unique(n)) for n in (place, winter))
    if winters < 2:
        return WINTER_ALL_C, WINTER_PLACE_C
    rows = np.arange(len(place))
    dummies = np.zeros((len(place), places + winters))
    dummies[rows, np.unique(place, return_inverse=True)[1]] = 1
    dummies[rows, places + np.unique(winter, return_inverse=True)[1]] = 1
    found, _, rank, _ = np.linalg.lstsq(dummies, difference_c, rcond=None)
    rest = difference_c - dummies @ found
    spare = len(place) - rank
    # What is left over is the place's own winter and the instrument's error.
    prior = WINTER_PLACE_C**2 + INSTRUMENT_C**2
    alone = float(_WORTH * prior + rest @ rest) / (_WORTH + spare) - INSTRUMENT_C**2
    together = WINTER_ALL_C**2
    if rank == places + winters - 1:  # every winter can be held against every other
        effects = found[places:] - found[places:].mean()
        together = float(_WORTH * together + effects @ effects) / (_WORTH + winters - 1)
    return float(np.sqrt(together)), float(np.sqrt(max(alone, 0.1**2)))
