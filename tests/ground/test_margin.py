"""How far beyond the boundary the ground is worked out, and what is said to cut it."""

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from site_around import site_around

from siteplanner import load_site
from siteplanner.ground import margin, resolve
from siteplanner.ground.assess import assess, notes_on
from siteplanner.reading.heights.edges import SIDES, Edges
from siteplanner.suitability.of_site import ready

CRS, WEST, NORTH, CELL = "EPSG:32756", 620_000, 5_350_000, 10.0


def land(heights, folder, square, **dem):
    """A site on made-up heights; ``square`` is (west, south, east, north) from the corner."""
    place = Affine(CELL, 0, WEST, 0, -CELL, NORTH)
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=heights.shape[1], height=heights.shape[0],
        count=1, dtype="float32", crs=CRS, transform=place,
    ) as file:  # fmt: skip
        file.write(heights.astype(np.float32), 1)
    field = shapely.box(*square)
    corner = np.array([WEST, NORTH - CELL * len(heights)])
    field = shapely.transform(field, lambda at: at + corner)
    table = {"file": "dem.tif", "margin_m": None, **dem}
    return load_site(site_around(folder, table, field, CRS))


def long_slope(size=400):
    """A valley side that rises for kilometres to the north and falls to a creek in the south."""
    rows, cols = np.indices((size, size))
    up = (size - rows) * CELL
    return 100 + 0.1 * up + 3 * np.sin(cols / 9) + 0.02 * np.abs(cols - size / 2)


def hilltop(size=400):
    """A wide dome: all water and air leave its top."""
    rows, cols = np.indices((size, size))
    return 500 - 0.08 * CELL * np.hypot(rows - size / 2, cols - size / 2)


TOP = (1850, 1850, 2150, 2150)


def test_the_usual_margin_does_where_water_and_air_leave(tmp_path):
    got = ready(land(hilltop(), tmp_path, TOP)).inputs
    assert got.edges.margin_m == 400.0 and got.edges.ends == ()
    assert not any("instead of" in note for note in got.notes)


def test_the_margin_grows_until_the_ridge_is_inside(tmp_path):
    ridge = np.minimum(long_slope(), long_slope()[::-1] + 40)  # a ridge in the north
    got = ready(land(ridge, tmp_path, (1850, 900, 2150, 1200))).inputs
    assert got.edges.margin_m > 400.0
    assert any(f"{got.edges.margin_m:.0f} m beyond the boundary" in n for n in got.notes)
    assert got.boundary.total_bounds[1] - got.grid.bounds[1] >= 400
    share = contaminated(got)
    usual = land(ridge, tmp_path, (1850, 900, 2150, 1200), margin_m=400.0)
    assert share <= margin.BY_WATER < contaminated(ready(usual).inputs)


def contaminated(inputs):
    """Share of the property that water from beyond the edge may reach."""
    wanted = ("edge_contamination_catchment",)
    order = resolve.check(resolve.catalogue("s"), wanted, list(resolve.GIVEN), {}, "s")
    layers = resolve.resolve(order, inputs.given(), wanted, {})
    return (layers[wanted[0]][inputs.grid.cover(inputs.boundary.geometry)] == 1).mean()


def test_a_margin_that_the_user_sets_rules(tmp_path):
    got = ready(land(long_slope(), tmp_path, (1850, 900, 2150, 1200), margin_m=150.0)).inputs
    assert got.edges.margin_m == 150.0
    west, south, east, north = got.boundary.total_bounds
    assert got.grid.bounds[3] - north < 200 and west - got.grid.bounds[0] < 200
    assert got.grid.bounds[2] - east < 200 and south - got.grid.bounds[1] < 200


def test_nothing_is_tried_where_the_dem_ends_all_round(tmp_path, monkeypatch):
    monkeypatch.setattr(margin, "_left_out", lambda *_: pytest.fail("a trial was made"))
    got = ready(land(hilltop(90), tmp_path, (300, 300, 600, 600))).inputs
    assert got.edges.ends == SIDES
    (said,) = (note for note in got.notes if "reaches only" in note)
    assert "300 m past the boundary in the north, east, south and west (400 m wanted)" in said


def test_the_bound_holds(tmp_path, monkeypatch):
    inputs = ready(land(hilltop(), tmp_path, TOP)).inputs

    def bound():
        return margin.within_bound(inputs.boundary, inputs.grid, inputs.edges)

    assert bound() == (400.0, 600.0, 900.0, 1400.0, 2000.0)
    monkeypatch.setattr(margin, "MOST_CELLS", 0)
    west, south, east, north = inputs.boundary.total_bounds
    cells = [(east - west + 2 * m) * (north - south + 2 * m) for m in bound()]
    assert 1 < max(cells) / cells[0] <= margin.MOST_TIMES
    monkeypatch.setattr(margin, "MOST_READ", 0)
    assert bound() == (400.0,)


def test_the_smallest_margin_that_is_nearly_as_good_is_taken(tmp_path, monkeypatch):
    site = land(hilltop(), tmp_path, TOP, margin_m=400.0)
    start = ready(site)
    read = start.inputs
    left = {400: 0.5, 600: 0.3, 900: 0.115, 1400: 0.1, 2000: 0.1}

    def chosen():
        return margin.chosen_margin(site, read.given(), read.boundary, read.edges, start.book)

    monkeypatch.setattr(margin, "_left_out", lambda s, g, o, b, m, c: (left[m], False))
    assert chosen() == (900.0, 2000.0)
    monkeypatch.setattr(margin, "_left_out", lambda s, g, o, b, m, c: (left[m], m == 600))
    assert chosen() == (600.0, 600.0)


def notes_of(site):
    start = ready(site)
    ground = assess(start.inputs.given(), start.inputs.boundary, site.layers, start.order, ())
    return notes_on(ground, start.inputs, start.inputs.grid.cover(start.inputs.boundary.geometry))


def test_notes_say_whether_the_dem_or_the_margin_cuts(tmp_path):
    (tmp_path / "margin").mkdir()
    (tmp_path / "dem").mkdir()
    cut = land(long_slope(200), tmp_path / "margin", (850, 900, 1150, 1200), margin_m=200.0)
    (said,) = (n for n in notes_of(cut) if "more cold air" in n)
    assert "margin_m (200 m) cuts, not the DEM: raise it under [dem]" in said
    assert "Use a DEM" not in said and "the DEM's edge" not in said
    ends = long_slope(200)[70:120, 75:125]
    square = (100, 100, 400, 400)
    whole = land(ends, tmp_path / "dem", square, margin_m=400.0)
    (said,) = (n for n in notes_of(whole) if "more cold air" in n)
    assert "Use a DEM that reaches to the surrounding ridges" in said and "margin_m" not in said


def test_advice_for_each_side():
    def advice(*ends):
        return Edges(400.0, ends, 5.0).advice("Use more.", "raise it.")

    tried = Edges(400.0, (), 5.0, 3000.0).advice("Use more.", "raise it.")
    assert "margins up to 3000 m were tried and leave out hardly less" in tried
    assert "raise it" not in tried
    assert advice() == "There margin_m (400 m) cuts, not the DEM: raise it."
    assert advice(*SIDES) == "Use more."
    assert advice("north", "west") == (
        "In the north and west the DEM ends: use more. Elsewhere margin_m (400 m) cuts, not the "
        "DEM: raise it."
    )
