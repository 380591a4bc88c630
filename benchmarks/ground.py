"""The ground on seeded fractal hills: our layers beside memory copies and other libraries.

The libraries are optional (``pip install -e '.[bench]'``): a row whose library is absent is left
out with a word on the error stream. Their licences (two are GPL) keep them out of the package.
"""

from __future__ import annotations

import importlib
import os
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyproj
from affine import Affine

from benchmarks.harness import REFERENCE, Row, copies, mark, reference_job, seconds
from siteplanner.base.grid import FloatGrid, Grid

SMALL, LARGE = 2000, 5000  # cells a side: 4 and 25 million
#: Asked for in seconds: 0.25, 5, 25 and 15.
POSITION, HORIZON, GROUND, COMPILE = mark(0.25), mark(5), mark(25), mark(15)
ASKED = "(asked for)"
MEMORY_GB = 3.0
#: Subjects of the ground that this group answers for.
SUBJECTS = (
    "relief.terrain",
    "relief.landform",
    "relief.erosion",
    "water.surface_water",
    "sun.irradiation",
    "soil.soils",
    "soil.drought",
)


def hills(side: int, seed: int = 1) -> FloatGrid:
    """Fractal hill country, heights in m, float32 (side, side): many hollows, no flats."""
    rng = np.random.default_rng(seed)
    down, right = np.meshgrid(np.fft.fftfreq(side), np.fft.rfftfreq(side), indexing="ij")
    often = np.hypot(down, right)
    often[0, 0] = np.inf
    waves = np.fft.rfft2(rng.standard_normal((side, side))) * often**-1.8
    rough = np.fft.irfft2(waves, (side, side))
    return (500 + 60 * rough / rough.std()).astype(np.float32)


def grid_of(side: int) -> Grid:
    """Cells of 2 m in the southern hemisphere."""
    place = Affine(2.0, 0, 600_000, 0, -2.0, 5_350_000)
    return Grid(pyproj.CRS("EPSG:32755"), place, (side, side))


def library(name: str, row: str) -> Any:
    """Import a library, or say that a row is left out for want of it."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return importlib.import_module(name)
    except ImportError:
        print(f"left out: {row} beside {name}, which is not installed", file=sys.stderr)
        return None


def quickest(jobs: dict[str, Callable[[], object]], repeats: int) -> tuple[str, float]:
    """Name and seconds of the fastest job."""
    taken = {name: seconds(job, repeats) for name, job in jobs.items()}
    name = min(taken, key=lambda n: taken[n])
    return name, taken[name]


def flow_of_others(dem: FloatGrid, what: str) -> dict[str, Callable[[], object]]:
    """From the DEM to upstream cells, by other libraries."""
    jobs: dict[str, Callable[[], object]] = {}
    if pyflwdir := library("pyflwdir", what):

        def by_pyflwdir() -> object:
            _, d8 = pyflwdir.dem.fill_depressions(dem)
            network = pyflwdir.from_array(d8, ftype="d8", check_ftype=False)
            return network.upstream_area("cell")

        jobs["pyflwdir"] = by_pyflwdir
    if topotoolbox := library("topotoolbox", what):

        def by_topotoolbox() -> object:
            held = topotoolbox.GridObject()
            held.z, held.cellsize = dem, 2.0
            return topotoolbox.FlowObject(held).flow_accumulation()

        jobs["topotoolbox"] = by_topotoolbox
    return jobs


def height_of_others(
    filled: FloatGrid, direction: FloatGrid, stream: FloatGrid, what: str
) -> dict[str, Callable[[], object]]:
    """Height above the nearest channel with the flow directions at hand, by other libraries."""
    jobs: dict[str, Callable[[], object]] = {}
    codes = np.append(2 ** np.arange(8), 0).astype(np.uint8)[direction.astype(np.intp)]
    channel = stream == 1
    if pyflwdir := library("pyflwdir", what):
        network = pyflwdir.from_array(codes, ftype="d8", check_ftype=False)
        network.order_cells()
        jobs["pyflwdir"] = lambda: network.hand(channel, filled)
    if sgrid := library("pysheds.sgrid", what):
        if not hasattr(np, "in1d"):  # taken out of numpy, still asked for there
            setattr(np, "in1d", np.isin)  # noqa: B010
        view = importlib.import_module("pysheds.view")

        def held(values: Any, nodata: Any) -> Any:
            place = Affine(2, 0, 0, 0, -2, 0)
            return view.Raster(
                values, view.ViewFinder(affine=place, shape=values.shape, nodata=nodata)
            )

        ways = held(codes.astype(np.int64), np.int64(0))
        heights = held(filled.astype(np.float64), np.float64("nan"))
        marked = held(channel, np.bool_(False))
        whole = sgrid.sGrid(viewfinder=ways.viewfinder)
        around = (64, 128, 1, 2, 4, 8, 16, 32)
        jobs["pysheds"] = lambda: whole.compute_hand(ways, heights, marked, dirmap=around)
    return jobs


def water_rows() -> Iterator[Row]:
    """Flow and height above the channel beside the libraries."""
    from siteplanner.ground.water import surface_water as water

    for side, repeats in ((SMALL, 3), (LARGE, 1)):
        dem, grid = hills(side), grid_of(side)
        what = f"DEM to upstream area, {side * side // 1_000_000} million cells"
        if jobs := flow_of_others(dem, what):
            name, theirs = quickest(jobs, repeats)
            ours = seconds(lambda d=dem, g=grid: water.flow(d, g), 3)
            yield Row(what, ours, theirs, 1 / 3, "s", name)
    dem, grid = hills(SMALL), grid_of(SMALL)
    filled, direction, area = water.flow(dem, grid)
    stream = water.channels(area)
    what = "height above the channel, 4 million cells"
    if jobs := height_of_others(filled, direction, stream, what):
        name, theirs = quickest(jobs, 1)
        ours = seconds(lambda: water.height_above_nearest_drainage(filled, direction, stream))
        yield Row(what, ours, theirs, 1 / 1.5, "s", name)


def terrain_rows() -> Iterator[Row]:
    """Slope and position beside copies of the grid."""
    from siteplanner.ground.relief import landform, terrain

    for side in (SMALL, LARGE):
        dem, grid, millions = hills(side), grid_of(side), side * side // 1_000_000
        copy = copies(side * side)
        ours = seconds(lambda d=dem, g=grid: terrain.slope_and_aspect(d, g), 9)
        what = f"slope and aspect, {millions} million cells"
        yield Row(what, ours, copy, 6.0, "s", "(one copy of the grid)")
    ours = seconds(lambda: landform.topographic_positions(dem, grid), 5)
    what = "three scales of topographic position, 25 million cells"
    yield Row(what, ours, reference_job(), POSITION, "s", REFERENCE)


def horizon_row() -> Row:
    """Horizon and sky view in 36 directions."""
    from siteplanner.ground.relief import terrain
    from siteplanner.ground.sun import irradiation as sun

    dem, grid = hills(SMALL), grid_of(SMALL)
    slope, aspect = terrain.slope_and_aspect(dem, grid)
    taken = seconds(lambda: sun.horizon_and_sky(dem, slope, aspect, grid), 1)
    what = "horizon and sky view, 36 directions, 4 million cells"
    return Row(what, taken, reference_job(), HORIZON, "s", REFERENCE)


def whole_ground() -> None:
    """Work out every layer of the ground on 4 million cells twice; print the second's seconds."""
    import geopandas as gpd
    import shapely

    from siteplanner.ground import resolve

    grid = grid_of(SMALL)
    west, south, east, _ = grid.bounds
    step = (east - west) / 8
    corners = [(west + i * step, south + j * step) for i in range(8) for j in range(8)]
    squares = [shapely.box(x, y, x + step, y + step) for x, y in corners]
    words = ("loam", "clay loam", "sandy loam", None), ("well drained", "poorly drained", None)
    soils = gpd.GeoDataFrame(
        {
            "unit": [f"U{n}" for n in range(64)],
            "texture": [words[0][n % 4] for n in range(64)],
            "drainage": [words[1][n % 3] for n in range(64)],
            "depth_m": [0.3 + n % 5 / 5 for n in range(64)],
            "ph": 5.5,
            "stones_percent": [float(n % 7 * 5) for n in range(64)],
        },
        geometry=squares,
        crs=grid.crs,
    )
    warm = np.array([23, 23, 20, 17, 14, 11, 11, 12, 14, 16, 19, 21.0])
    rain = np.array([40, 38, 45, 60, 70, 75, 80, 82, 75, 68, 60, 50.0])
    given = {
        "dem": hills(SMALL),
        "holes": np.zeros(grid.shape, bool),
        "height_step": 0.0,
        "grid": grid,
        "latitude": grid.centre_lonlat[1],
        "soils": soils,
        "climate": SimpleNamespace(tmin_c=warm - 10, tmax_c=warm, rain_mm=rain, air=None),
    }
    book = resolve.catalogue("benchmark", extra=())
    modules = {f"siteplanner.ground.{subject}" for subject in SUBJECTS}
    wanted = [n for n, m in book.makers.items() if m.function.__module__ in modules]
    wanted.append("edge_contamination_catchment")
    order = resolve.check(book, wanted, list(resolve.GIVEN), {}, "benchmark")
    taken = seconds(lambda: resolve.resolve(order, given, (), {}), 1)
    print(taken)


def ground_rows() -> Iterator[Row]:
    """All layers in a process of their own: time and memory."""
    code = "from benchmarks.ground import whole_ground; whole_ground()"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e6
    what = "every layer of the ground, 4 million cells, "
    yield Row(what + "warm", float(done.stdout), reference_job(), GROUND, "s", REFERENCE)
    yield Row(what + "peak memory", peak, MEMORY_GB, 1.0, "GB", ASKED)


def compile_row() -> Row:
    """What compiling adds to the first run of the whole package."""
    code = (
        "import importlib, pkgutil, siteplanner\n"
        "for m in pkgutil.walk_packages(siteplanner.__path__, 'siteplanner.'):\n"
        "    if not m.name.endswith('__main__'): importlib.import_module(m.name)\n"
    )
    taken = []
    with tempfile.TemporaryDirectory() as folder:
        env = os.environ | {"NUMBA_CACHE_DIR": folder}
        for _ in range(2):
            start = time.perf_counter()
            subprocess.run([sys.executable, "-c", code], check=True, env=env)
            taken.append(time.perf_counter() - start)
    what = "compiling the whole package, first run less a later one"
    return Row(what, taken[0] - taken[1], reference_job(), COMPILE, "s", REFERENCE)


def rows() -> Iterator[Row]:
    """All figures of the ground."""
    # First, while this process and its children are small: the peak is that of any child.
    yield from ground_rows()
    yield compile_row()
    yield from terrain_rows()
    yield horizon_row()
    yield from water_rows()
