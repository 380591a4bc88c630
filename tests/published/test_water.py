"""Fill, upstream area and height above the channel against two libraries on two real DEMs."""

import importlib

import numpy as np
import pyflwdir
import pytest
import rasterio
from ground.surfaces import grid_of
from scipy.ndimage import binary_dilation
from shared_data import shared

from siteplanner.ground.water.surface_water import channels, flow, height_above_nearest_drainage

pytestmark = pytest.mark.long


def jacksboro():
    """The Jacksboro fault DEM that matplotlib ships: 90 m, whole metres."""
    cbook = pytest.importorskip("matplotlib.cbook")
    with cbook.get_sample_data("jacksboro_fault_dem.npz") as held:
        return held["elevation"].astype(np.float32), 90.0


def lidar():
    """Farmed hills in 1 m cells."""
    with rasterio.open(shared("dem/si_lidar1m_epsg3794.tif")) as source:
        return np.ascontiguousarray(source.read(1)[:600, :700]), 1.0


@pytest.fixture(scope="module", params=[jacksboro, lidar], ids=["90 m", "1 m"])
def real(request):
    dem, cell = request.param()
    return dem, cell, flow(dem, grid_of(dem.shape, cell))


@pytest.fixture(scope="module")
def topotoolbox():
    """Imported where it is used: it takes a second, which every worker would spend."""
    return importlib.import_module("topotoolbox")


def grid_object(topotoolbox, heights, cell):
    held = topotoolbox.GridObject()
    held.z, held.cellsize = heights, cell
    return held


def test_fill_is_bit_for_bit_that_of_both(real, topotoolbox):
    dem, cell, (filled, _, _) = real
    by_pyflwdir, _ = pyflwdir.dem.fill_depressions(dem)
    by_topotoolbox = grid_object(topotoolbox, dem, cell).fillsinks().z
    assert (filled > dem).sum() > 1000
    assert filled.tobytes() == by_pyflwdir.astype(np.float32).tobytes()
    assert np.array_equal(filled, by_topotoolbox)


def test_upstream_area_agrees_where_no_level_ground_lies_upstream(real, topotoolbox):
    dem, cell, (filled, direction, area) = real
    theirs = topotoolbox.FlowObject(grid_object(topotoolbox, dem, cell)).flow_accumulation().z
    ours = area / cell**2
    # Level ground and filled hollows are each program's own affair (theirs carves its way), and
    # so is everything downstream of them, and what a tie sends another way.
    network = pyflwdir.from_array(codes_of(direction), ftype="d8")
    level = filled != dem
    for before, after in ((np.s_[:-1], np.s_[1:]), (np.s_[:, :-1], np.s_[:, 1:])):
        same = filled[before] == filled[after]
        level[before] |= same
        level[after] |= same
    tainted = network.accuflux(binary_dilation(level, np.ones((3, 3))).astype(np.float64))
    clean = tainted == 0
    clean[[0, -1]] = clean[:, [0, -1]] = False
    assert clean.sum() > 2000
    assert (ours[clean] == theirs[clean]).mean() > 0.98


def codes_of(direction):
    """Our directions as D8 codes, 0 where water leaves."""
    return np.append(2 ** np.arange(8), 0).astype(np.uint8)[direction.astype(int)]


def test_the_main_outlets_agree(real):
    dem, cell, (_, direction, area) = real
    ours = np.sort(area[direction == 8] / cell**2)[::-1]
    _, d8 = pyflwdir.dem.fill_depressions(dem)
    network = pyflwdir.from_array(d8, ftype="d8")
    theirs = np.sort(network.upstream_area("cell").ravel()[network.idxs_pit])[::-1]
    # Theirs goes to the lowest neighbour, ours down the steepest way, so water may leave by the
    # outlet beside; the largest one agrees closely, the five largest together to a tenth.
    assert ours[0] == pytest.approx(theirs[0], rel=0.02)
    assert ours[:5].sum() == pytest.approx(theirs[:5].sum(), rel=0.1)
    assert ours.sum() == theirs.sum() == dem.size


def test_height_above_the_channel_agrees(real, topotoolbox):
    _, cell, (filled, direction, area) = real
    stream = channels(area, channel_area=500 * cell**2)
    ours = height_above_nearest_drainage(filled, direction, stream)
    by_pyflwdir = pyflwdir.from_array(codes_of(direction), ftype="d8").hand(stream == 1, filled)
    met = np.isfinite(ours)
    assert met.mean() > 0.4
    assert np.array_equal(ours[met], by_pyflwdir[met])
    # The second one has its own directions: it agrees in the whole, not cell by cell.
    held = grid_object(topotoolbox, filled, cell)
    ways = topotoolbox.FlowObject(held)
    channel = topotoolbox.StreamObject(ways, threshold=500, units="pixels")
    by_topotoolbox = ways.vertdistance2stream(channel, held).z
    both = met & np.isfinite(by_topotoolbox) & (by_topotoolbox > 0)
    assert np.median(np.abs(ours - by_topotoolbox)[both]) < 0.02 * np.ptp(filled)
    assert np.corrcoef(ours[both], by_topotoolbox[both])[0, 1] > 0.9
