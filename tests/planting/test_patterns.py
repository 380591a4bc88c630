"""Patterns: density, spacing, bearing, and staying inside."""

import sys

import numpy as np
import pytest
import shapely
import shapely.affinity
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree
from toy_package import install

from siteplanner.base.errors import InputError
from siteplanner.base.plugins import PATTERNS
from siteplanner.planting.rows.patterns import (
    PatternInfo,
    density_per_ha,
    info_of,
    lay,
    pattern,
    pattern_infos,
    patterns,
    square,
    triangular,
)

FIELD = shapely.box(620_000, 5_350_000, 620_200, 5_350_200)


@pytest.mark.parametrize(
    ("pattern", "spacing", "stems"),
    # 10 000 / s² and 2 / (√3 s²) a hectare: the geometry itself.
    [
        ("square", 2, 2500),
        ("square", 3, 1111),
        ("square", 4, 625),
        ("triangular", 2, 2887),
        ("triangular", 3, 1283),
        ("triangular", 4, 722),
    ],
)
def test_stems_per_hectare(pattern, spacing, stems):
    x, _, _ = patterns()[pattern](FIELD, spacing, 30.0)
    edge = FIELD.length * spacing / 2 / 1e4 * stems
    assert abs(len(x) - stems * FIELD.area / 1e4) <= edge


blobs = st.lists(
    st.tuples(st.floats(0, 80), st.floats(0, 80), st.floats(3, 30)), min_size=1, max_size=5
)


@given(
    blobs=blobs,
    spacing=st.floats(1, 6),
    bearing=st.floats(0, 180),
    pattern=st.sampled_from([square, triangular]),
)
@settings(max_examples=examples(60))
def test_places_lie_inside_and_keep_the_spacing(blobs, spacing, bearing, pattern):
    discs = [
        shapely.Point(x, y).buffer(r).difference(shapely.Point(x, y).buffer(r / 3))
        for x, y, r in blobs
    ]
    area = shapely.get_parts(shapely.union_all(discs))[0]
    x, y, row = pattern(area, spacing, bearing)
    assert shapely.contains_xy(area, x, y).all()
    if len(x) > 1:
        apart = cKDTree(np.column_stack([x, y])).query(np.column_stack([x, y]), k=2)[0][:, 1]
        assert apart.min() >= spacing - 1e-6
        assert sorted(set(row)) == list(range(row.max() + 1))


@pytest.mark.parametrize("bearing", [0.0, 30.0, 90.0, 135.0])
def test_rows_run_along_the_bearing(bearing):
    x, y, row = square(FIELD, 4.0, bearing)
    mine = row == row.max() // 2
    east, north = x[mine][-1] - x[mine][0], y[mine][-1] - y[mine][0]
    assert np.degrees(np.arctan2(east, north)) % 180 == pytest.approx(bearing % 180, abs=1e-6)


#: Of each pattern the least distance in spacings, and how near stocking comes to the geometry's.
KEPT = {
    "square": (1.0, 0.03),
    "triangular": (1.0, 0.03),
    "rectangular": (1.0, 0.03),
    "strip": (1.0, 0.03),
    "contour": (1.0, 0.03),
    "natural": (0.77, 0.03),
    "enrichment": (1.54, 0.04),
    "clumps": (0.55, 0.05),
}
OURS = sorted(n for n, p in patterns().items() if p.__module__.startswith("siteplanner."))


@pytest.mark.parametrize("pattern", OURS)
def test_every_pattern_has_its_stocking_and_least_distance(pattern):
    least, within = KEPT[pattern]
    x, y, row = patterns()[pattern](FIELD, 2.5, 30.0)
    expected = density_per_ha(pattern, 2.5) * FIELD.area / 1e4
    assert len(x) == pytest.approx(expected, rel=within)
    points = np.column_stack([x, y])
    assert cKDTree(points).query(points, k=2)[0][:, 1].min() >= 2.5 * least - 1e-6
    assert shapely.contains_xy(FIELD, x, y).all()
    assert sorted(set(row)) == list(range(row.max() + 1))


@pytest.mark.parametrize("slope", [0, 10, 25, 45])
@pytest.mark.parametrize("bearing", [0.0, 50.0])
@pytest.mark.parametrize("pattern", ["square", "triangular", "rectangular", "natural"])
def test_spacing_along_the_ground_stocks_by_one_over_cosine(pattern, bearing, slope):
    x, y, _ = lay(
        patterns()[pattern],
        FIELD,
        4.0,
        bearing,
        fall_deg=140.0,
        slope_deg=slope,
        along_ground=True,
    )
    expected = density_per_ha(pattern, 4.0) * FIELD.area / 1e4 / np.cos(np.radians(slope))
    assert abs(len(x) - expected) < FIELD.length / 4.0 / 2 + 0.03 * expected
    assert shapely.contains_xy(FIELD, x, y).all()
    # Lifted onto the slope the trees stand as far apart as asked.
    fall = np.array([np.sin(np.radians(140)), np.cos(np.radians(140))])
    points = np.column_stack([x, y])
    lifted = np.column_stack([points, points @ fall * np.tan(np.radians(slope))])
    least = 0.77 if pattern == "natural" else 1.0
    assert cKDTree(lifted).query(lifted, k=2)[0][:, 1].min() >= 4.0 * least - 1e-6


def test_a_strip_runs_along_the_block_whatever_the_bearing():
    belt = shapely.affinity.rotate(shapely.box(0, 0, 300, 12), 25, origin=(0, 0))
    x, y, row = patterns()["strip"](belt, 2.0, 0.0)
    assert 5 <= row.max() + 1 <= 8
    first = row == 2
    east, north = x[first][-1] - x[first][0], y[first][-1] - y[first][0]
    assert np.degrees(np.arctan2(north, east)) % 180 == pytest.approx(25, abs=1e-6)


def test_the_row_spacing_asked_for_is_laid():
    x, y, row = lay(patterns()["rectangular"], FIELD, 2.0, 90.0, row_spacing_m=5.0)
    heights = np.array([y[row == r].mean() for r in range(row.max() + 1)])
    assert np.abs(np.diff(heights)) == pytest.approx(5.0)
    assert len(x) == pytest.approx(1e4 / 10 * FIELD.area / 1e4, rel=0.04)


def test_chance_is_the_same_every_time():
    for name in ("natural", "clumps", "enrichment"):
        first, second = (patterns()[name](FIELD, 4.0, 0.0) for _ in range(2))
        assert all(np.array_equal(a, b) for a, b in zip(first, second, strict=True))


def test_a_plugin_may_have_three_parameters_or_ask_for_the_ground():
    seen = {}

    def plain(area, spacing_m, bearing_deg):
        return square(area, spacing_m, bearing_deg)

    def curious(area, spacing_m, bearing_deg, *, ground=None):
        seen["ground"] = ground
        return square(area, spacing_m, bearing_deg)

    relief = object()
    for mine in (plain, curious):
        x, _, _ = lay(mine, FIELD, 4.0, 0.0, relief=relief, row_spacing_m=9.0)
        assert len(x) == len(square(FIELD, 4.0, 0.0)[0])
    assert seen == {"ground": relief}


def test_every_pattern_says_what_it_is():
    infos = pattern_infos()
    assert list(infos) == list(patterns()) and len(infos) >= 8
    for name, info in infos.items():
        assert info.name == name
        assert info.title and info.picture.endswith(".") and info.spacing and info.source, name
        assert info.in_rows or not info.ripped, name
        assert info.row_range is None or 0 < info.row_range[0] < info.row_range[1], name


@pytest.mark.parametrize("name", sorted(patterns()))
def test_no_step_of_a_row_on_open_ground_is_longer_than_the_stride(name):
    """Else a row of every block would fall to pieces, for want of a true stride."""
    x, y, row = patterns()[name](FIELD, 4.0, 30.0)
    step = np.hypot(np.diff(x), np.diff(y))[row[1:] == row[:-1]]
    broken = (step > info_of(patterns()[name]).stride * 4.0).mean()
    assert broken < 0.03


def test_a_given_row_gap_counts_where_the_pattern_takes_it():
    assert density_per_ha("rectangular", 2.0, 5.0) == pytest.approx(1000)
    assert density_per_ha("rectangular", 2.0) == pytest.approx(10_000 / 6)
    assert density_per_ha("square", 2.0, 5.0) == pytest.approx(2500)
    with pytest.raises(KeyError):
        density_per_ha("no_such_pattern", 2.0)


def test_facts_are_attached_and_the_function_stays_as_it_was():
    def mine(area, spacing_m, bearing_deg):
        return square(area, spacing_m, bearing_deg)

    info = PatternInfo("Mine", "As square.", "as square", 1.0, "invented for a test")
    assert pattern(info)(mine) is mine
    assert info_of(mine).name == "mine" and info_of(mine).title == "Mine"
    with pytest.raises(ValueError, match="must be over 0"):
        PatternInfo("Mine", "As square.", "as square", 0.0, "invented for a test")


HEAD = """
import numpy as np
from siteplanner import PatternInfo, pattern
FACTS = pattern(PatternInfo("T", "P.", "s", 1.0, "invented for a test"))
INSIDE = np.array([620_100.0]), np.array([5_350_100.0])
"""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("def odd(a, s, b): return 1", "pattern odd has no facts: put @pattern"),
        ("@FACTS\ndef even(a, s, b): return 1\nodd = even",
         "the function of pattern odd is called even"),
        ("@FACTS\ndef odd(a, s, b): return 1", "must give x, y and row, arrays of one length"),
        ("@FACTS\ndef odd(a, s, b): return *INSIDE, np.array([0, 1])", "arrays of one length"),
        ("@FACTS\ndef odd(a, s, b): return *INSIDE, np.array([0.5])", "must number the rows 0, 1"),
        ("@FACTS\ndef odd(a, s, b): return INSIDE[0], INSIDE[0], np.array([0])",
         "odd of odd-rows set places outside the block"),
        ("@FACTS\ndef odd(a, s, b):\n    return a.no_such",
         "pattern odd of odd-rows failed at odd_rows.py line 8: AttributeError: "),
    ],
)  # fmt: skip
def test_a_pattern_of_another_package_is_held_to_its_promise(tmp_path, monkeypatch, text, words):
    place = install(
        tmp_path, "odd-rows", {PATTERNS: {"odd": "odd_rows:odd"}}, {"odd_rows.py": HEAD + text}
    )
    monkeypatch.syspath_prepend(place)
    monkeypatch.delitem(sys.modules, "odd_rows", raising=False)
    with pytest.raises(InputError) as caught:
        lay(patterns()["odd"], FIELD, 4.0, 0.0)
    assert words in str(caught.value)
    assert "pip uninstall odd-rows" in str(caught.value)


def test_a_pattern_of_another_package_that_keeps_its_promise_is_used_and_known(
    tmp_path, monkeypatch
):
    text = (
        HEAD + "@FACTS\ndef one(area, s, b, *, row_spacing_m=None): return *INSIDE, np.array([0])"
    )
    place = install(
        tmp_path, "one-tree", {PATTERNS: {"one": "one_tree:one"}}, {"one_tree.py": text}
    )
    monkeypatch.syspath_prepend(place)
    monkeypatch.delitem(sys.modules, "one_tree", raising=False)
    x, y, row = lay(patterns()["one"], FIELD, 4.0, 0.0, row_spacing_m=3.0)
    assert (x.tolist(), y.tolist(), row.tolist()) == ([620_100.0], [5_350_100.0], [0])
    assert list(pattern_infos())[-1] == "one" and pattern_infos()["one"].title == "T"
    assert density_per_ha("one", 2.0, 4.0) == pytest.approx(1250)
