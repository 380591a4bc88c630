"""The cold-air night's speed and balance, and the frost estimate against real loggers."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import rasterio
from affine import Affine
from numpy.typing import NDArray
from rasterio.warp import Resampling, reproject

from benchmarks.harness import REFERENCE, Row, mark, reference_job
from siteplanner import load_site
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.ground.cold.cold_air import ColdAir
from siteplanner.ground.cold.drainage_run import cached_drainage, night_seconds, run_drainage
from siteplanner.ground.cold.frost import (
    cold_pool_criteria,
    elevation_percentile,
    multi_scale_concavity,
)
from siteplanner.ground.cold.minimum import PREDICTORS, best_penalty, ridge
from siteplanner.ground.cold.nocturnal_drainage import height_above_cold_air
from siteplanner.ground.relief.terrain import slope_and_aspect
from siteplanner.reading.inputs import read_inputs

ROOT = Path(__file__).parent.parent
SHARED = ROOT.parent / "shared" / "data"
#: 30 s for eight hours on a million cells are asked for.
DRAINAGE = mark(30)
#: The error that a ridge regression on a dozen indices of a 10 m DEM leaves of a lapse rate's on
#: these loggers (0.86 of 1.14 °C), and on nights warmer above than below.
OVER_ALL, OVER_INVERSIONS = 0.86 / 1.14, 0.81
SPLITS = 20


def rows() -> Iterator[Row]:
    """Speed first, then what the night is worth."""
    yield from drainage_rows()
    yield from sample_rows()
    if SHARED.exists():
        yield from logger_rows()


def hills(side: int, cell: float) -> FloatGrid:
    """Seeded hills and valleys on a square of cells, the same however many there are, m."""
    draw = np.random.default_rng(7)
    y, x = np.meshgrid(np.arange(side) * cell, np.arange(side) * cell, indexing="ij")
    total = np.zeros((side, side))
    for _ in range(24):
        length, turn, phase = draw.uniform(300, 3000), draw.uniform(0, np.pi), draw.uniform(0, 6)
        along = np.cos(turn) * x + np.sin(turn) * y
        total += length / 3000 * np.cos(2 * np.pi * along / length + phase)
    return (60 * total / total.std() / 2 + 300).astype(np.float32)


def drainage_rows() -> Iterator[Row]:
    """Time eight hours on 5 m cells: a million of them, a quarter of them, and kept."""
    reference = reference_job()
    run_drainage(hills(60, 5.0), 5.0, 600.0, ColdAir())
    taken, busy = {}, {}
    for side in (500, 1000):
        dem = hills(side, 5.0)
        start, busy_from = time.perf_counter(), time.process_time()
        made = run_drainage(dem, 5.0, 8 * 3600.0, ColdAir())
        taken[side], busy[side] = time.perf_counter() - start, time.process_time() - busy_from
    yield Row("8 h night, 1 M cells of 5 m", taken[1000], reference, DRAINAGE, "s", REFERENCE)
    yield Row(
        "processor time, a quarter of 1 M cells",
        busy[1000] / 4,
        busy[500],
        1.5,
        "s",
        "0.25 M cells",
    )
    yield Row(
        "stored + flowed out - chilled, of what was chilled",
        abs(made.imbalance),
        1e-6,
        1.0,
        "",
        "mark",
    )
    with tempfile.TemporaryDirectory() as folder:
        before = os.environ.get("SITEPLANNER_CACHE")
        os.environ["SITEPLANNER_CACHE"] = folder
        try:
            times = []
            for _ in range(2):
                start = time.perf_counter()
                cached_drainage(
                    hills(500, 5.0), 5.0, 2 * 3600.0, ColdAir(), None, cell_m=5.0, lies_m=2.0
                )
                times.append(time.perf_counter() - start)
        finally:
            os.environ.pop("SITEPLANNER_CACHE")
            if before is not None:
                os.environ["SITEPLANNER_CACHE"] = before
    yield Row("the same night again", times[1], times[0], 0.5, "s", "the first time")


def sample_rows() -> Iterator[Row]:
    """Pool area on the sample when the cell is halved, and a coarse start against a fine one."""
    site = read_inputs(load_site(ROOT / "sample_site" / "site.toml"))
    cell, seconds = site.grid.cell, night_seconds(site.grid.centre_lonlat[1])
    wide, fine = (run_drainage(site.dem, cell, seconds, ColdAir(), cell_m=m) for m in (12.0, 6.0))
    areas = [float((n.depth >= 2).sum()) * m**2 / 1e4 for n, m in ((wide, 12.0), (fine, 6.0))]
    yield Row(
        "change of pool area when the cell is halved",
        abs(areas[1] / areas[0] - 1),
        0.1,
        1.0,
        "",
        "mark",
    )
    slow = run_drainage(site.dem, cell, seconds, ColdAir(), cell_m=6.0, coarser=1)
    off = float(np.abs(fine.depth - slow.depth).mean() / slow.depth.mean())
    yield Row(
        "depth after a coarse start, off a night on fine cells alone", off, 0.05, 1.0, "", "mark"
    )


def logger_rows() -> Iterator[Row]:
    """Half of the loggers foretold from the other half, 20 seeded halves, night by night."""
    nights, at = loggers()
    rising = np.array([_rise(night, at["height"]) > 0 for night in nights])
    kinds = {kind.name: kind for kind in PREDICTORS}
    fits = {
        # The pool's depth tells nothing more on cells so coarse that hollows are lost in them.
        "ours": ["height", "height_above_cold_air", "slope"],
        "all": list(kinds),
        "lapse rate": ["height"],
        "quick": ["height", "criteria"],
    }
    errors = {
        name: half_splits(
            nights,
            np.column_stack(
                [np.log1p(at[c]) if c in kinds and kinds[c].log else at[c] for c in columns]
            ),
        )
        for name, columns in fits.items()
    }
    for words, which, asked in (
        (f"all {len(nights)} nights", np.ones(len(nights), bool), OVER_ALL),
        (f"{rising.sum()} nights warmer above", rising, OVER_INVERSIONS),
    ):
        met = {
            name: float(np.mean([_rms(split[which]) for split in found]))
            for name, found in errors.items()
        }
        lapse, quick = met["lapse rate"], met["quick"]
        yield Row(f"loggers, {words}", met["ours"], lapse, asked, "°C", "lapse rate")
        yield Row(f"loggers, {words}", met["ours"], quick, 1.0, "°C", "height, quick criteria")
        yield Row(f"with the pool's depth, {words}", met["all"], lapse, 1.0, "°C", "lapse rate")


def _rms(errors: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.nanmean(errors**2)))


def _rise(night: NDArray[np.float64], height: NDArray[np.float64]) -> float:
    """Change with height of one night's minima, °C per m."""
    known = np.isfinite(night)
    return float(np.polyfit(height[known], night[known], 1)[0]) if known.sum() > 20 else -1.0


def half_splits(nights: NDArray[np.float64], at: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    """Errors (nights, loggers left out) of each split; every night is fitted on its own.

    One predictor is fitted by least squares, several by ridge with the penalty that does best
    on loggers left out.
    """
    free = np.zeros(at.shape[1], dtype=np.int64)
    out = []
    for seed in range(SPLITS):
        order = np.random.default_rng(seed).permutation(nights.shape[1])
        train, test = order[: len(order) // 2], order[len(order) // 2 :]
        errors = np.full((len(nights), len(test)), np.nan)
        for number, night in enumerate(nights):
            known = train[np.isfinite(night[train])]
            if len(known) < 8:
                continue
            x, y = at[known], night[known]
            penalty = best_penalty(x, y, free) if at.shape[1] > 1 else 1e-9
            mean, centre, slopes = ridge(x, y, free, penalty)
            errors[number] = mean + (at[test] - centre) @ slopes - night[test]
        out.append(errors)
    return out


def loggers(cell: float = 80.0) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
    """Minima (nights, loggers), °C, NaN where missing, and what the coarse DEM says there.

    48 loggers of 2012 at 34 degrees south (one without a single minimum), 3 arc-second DEM. At
    that cell hollows of less than some 200 m are lost: the coldest logger, at 860 m, stands in
    one.
    """
    frame = pd.read_csv(SHARED / "frost" / "daily_minima_2012.csv").dropna(subset=["date", "Tmin"])
    table = frame.pivot(index="date", columns="siteID", values="Tmin")
    sites = frame.drop_duplicates("siteID").set_index("siteID").loc[table.columns]
    crs = pyproj.CRS("EPSG:32734")
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(
        sites["LON_DD"].to_numpy(), sites["LAT_DD"].to_numpy()
    )
    west, north = x.min() - 8000, y.max() + 8000
    shape = (int((north - y.min() + 8000) / cell), int((x.max() + 8000 - west) / cell))
    grid = Grid(crs, Affine(cell, 0, west, 0, -cell, north), shape)
    dem = np.full(shape, np.nan, dtype=np.float32)
    with rasterio.open(SHARED / "dem" / "za_cape_3arcsec_epsg4326.tif") as source:
        reproject(
            rasterio.band(source, 1),
            dem,
            dst_transform=grid.transform,
            dst_crs=crs.to_wkt(),
            dst_nodata=np.nan,
            resampling=Resampling.bilinear,
        )
    drainage = run_drainage(dem, cell, night_seconds(-34.0), ColdAir())
    land = np.where(np.isfinite(dem), dem, np.float32(0))  # the sea counts as low ground
    slope = slope_and_aspect(land, grid)[0]
    criteria = cold_pool_criteria(
        slope,
        multi_scale_concavity(land, grid, radius_m=500.0),
        elevation_percentile(land, grid, radius_m=1000.0),
    )
    at: Callable[[FloatGrid], NDArray[np.float64]] = lambda values: grid.sample(  # noqa: E731
        values, x, y
    ).astype(np.float64)
    depth = at(drainage.depth)
    none = np.zeros_like(dem)
    return table.to_numpy(), {
        "height": sites["elevation"].to_numpy(dtype=np.float64),
        "cold_air_pooling": depth / (depth + 5.0),
        "height_above_cold_air": at(height_above_cold_air(dem, drainage.depth, none, grid)),
        "slope": at(slope),
        "criteria": at(criteria),
    }
