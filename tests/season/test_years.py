"""Years: limits hold, nurses stand first, near blocks first, nothing is lost."""

import numpy as np
import pytest
from examples import examples
from hypothesis import given, settings
from hypothesis import strategies as st

from siteplanner.season.years import Parts, Use, spread
from siteplanner.site.nursery import Nursery
from siteplanner.site.planting import Years


def parts(trees, *, after=None, paddock=None, access=None, earliest=None, infill=0.0):
    trees = np.array(trees)
    n = len(trees)
    tubes = np.ceil(trees * 1.2)

    def use(now):
        return Use(now.astype(float), infill * now)

    return Parts(
        trees,
        use(tubes),
        use(tubes * Nursery().tube_m2),
        use(trees * 6.0),
        use(trees / 600),
        np.zeros(n, np.int64) if paddock is None else np.array(paddock),
        np.zeros(n) if access is None else np.array(access, float),
        np.full(n, -1) if after is None else np.array(after),
        np.zeros(n, np.int64) if earliest is None else np.array(earliest),
    )


@given(
    st.lists(st.integers(1, 900), min_size=1, max_size=9),
    st.integers(1, 5),
    st.integers(200, 3000),
    st.integers(0, 3),
    st.integers(0, 99),
)
@settings(max_examples=examples(40))
def test_limits_hold_and_nurses_stand_first(trees, number, tubes, nurse_years, seed):
    random = np.random.default_rng(seed)
    after = [int(random.integers(-1, n)) if n else -1 for n in range(len(trees))]
    after = [a if a < 0 or after[a] < 0 else -1 for a in after]
    some = parts(trees, after=after, paddock=random.integers(0, 3, len(trees)))
    rules = Years(number=number, tubes=tubes, money=tubes * 5.5, nurse_years=nurse_years)
    year, said = spread(some, rules)
    for t in range(number):
        assert some.tubes.now[year == t].sum() <= tubes
        assert some.money.now[year == t].sum() <= tubes * 5.5 + 1e-6
    for part, first in enumerate(after):
        if first >= 0 and year[part] < number:
            assert year[part] >= year[first] + nurse_years
    assert bool(said) == bool((year == number).any())


def test_without_limits_all_is_planted_at_once_but_what_waits_for_nurses():
    year, said = spread(parts([500, 300], after=[-1, 0]), Years(number=3, nurse_years=2))
    assert year.tolist() == [0, 2] and not said


def test_early_years_are_filled_and_what_is_left_is_said():
    year, said = spread(parts([500, 500, 500, 500]), Years(number=3, tubes=600))
    assert sorted(year) == [0, 1, 2, 3]
    assert said == (
        "500 trees do not fit into the 3 years and are left for later; all of the work would "
        "take 2,400 tubes, and 3 years have 1,800.",
    )


def test_a_tube_takes_the_same_bench_here_and_in_the_nursery():
    # 50 x 50 mm, 400 to the square metre (Munro & Lindenmayer 2011, as quoted elsewhere).
    assert Nursery().tube_m2 == pytest.approx(0.05 * 0.05)
    year, _ = spread(parts([500, 500]), Years(number=2, bench_m2=1000 * 1.2 / 400))
    assert year.tolist() == [0, 0]
    year, _ = spread(parts([500, 500]), Years(number=2, bench_m2=999 * 1.2 / 400))
    assert sorted(year) == [0, 1]


def test_near_the_access_comes_first():
    year, _ = spread(parts([500, 500], access=[900, 0]), Years(number=2, crew_days=1.0))
    assert year.tolist() == [1, 0]


def test_a_paddock_is_not_opened_twice_for_nothing():
    some = parts([300, 300, 300, 300], paddock=[0, 1, 0, 1])
    year, _ = spread(some, Years(number=2, tubes=720))
    assert year[0] == year[2] and year[1] == year[3]


@pytest.mark.parametrize("blocks", [40])
def test_many_blocks_are_spread_quickly(blocks):
    random = np.random.default_rng(0)
    some = parts(random.integers(50, 900, blocks), paddock=np.arange(blocks) % 8)
    year, _ = spread(some, Years(number=5, tubes=int(some.tubes.now.sum() / 4)))
    assert (year < 5).all()
    used = np.bincount(year, some.tubes.now, 5)
    assert (used[:3] > 0.9 * some.tubes.now.sum() / 4).all()


def test_infill_of_the_year_before_takes_its_share_of_a_year():
    some = parts([100] * 6, infill=0.5)
    year, _ = spread(some, Years(number=4, tubes=300))
    now, then = (np.bincount(year, use, 5)[:4] for use in (some.tubes.now, some.tubes.next))
    assert (now + np.r_[0, then[:-1]] <= 300).all()
    # 120 tubes a part and 60 a year later: two parts a year would overrun from the second on.
    assert now[0] == 240 and now[1] <= 180


def test_nothing_is_planted_before_its_window_opens():
    assert spread(parts([10, 10], earliest=[1, 0]), Years(number=3))[0].tolist() == [1, 0]
    year, _ = spread(parts([10, 10], earliest=[1, 0]), Years(number=3, tubes=100))
    assert year.tolist() == [1, 0]
