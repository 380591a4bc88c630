"""Sharing out is exact, keeps to what was asked, and never punishes a larger stock."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from siteplanner.catchment.sharing import in_proportion, share

NAMES = st.text(alphabet="abcdefgh", min_size=1, max_size=2)
ASKS = st.dictionaries(NAMES, st.integers(0, 60), max_size=7)
ROUNDS = st.lists(ASKS, min_size=1, max_size=3)


@given(st.integers(0, 500), ROUNDS)
def test_the_sum_is_exact_and_no_one_gets_more_than_was_asked(stock, rounds):
    got = share(stock, rounds)
    asked = {name: sum(r.get(name, 0) for r in rounds) for r in rounds for name in r}
    assert got.keys() == asked.keys()
    assert sum(got.values()) == min(stock, sum(asked.values()))
    assert all(0 <= got[name] <= asked[name] for name in asked)


@given(st.integers(0, 500), ROUNDS)
def test_one_thing_more_goes_to_one_and_leaves_no_one_with_less(stock, rounds):
    before, after = share(stock, rounds), share(stock + 1, rounds)
    more = {name: after[name] - before[name] for name in before}
    assert set(more.values()) <= {0, 1}
    assert sum(more.values()) <= 1


@given(st.integers(0, 300), ASKS, st.integers(1, 20))
def test_who_asks_for_more_gets_no_less(stock, asks, more):
    for name in asks:
        eager = in_proportion(stock, {**asks, name: asks[name] + more})
        assert eager[name] >= in_proportion(stock, asks)[name]


@given(st.integers(0, 300), ASKS)
def test_no_thing_would_do_more_good_with_another(stock, asks):
    got = in_proportion(stock, asks)
    if sum(got.values()) == sum(asks.values()):
        return
    asking = {name: n for name, n in asks.items() if n}
    latest = max(
        ((Fraction(2 * got[n] - 1, asking[n]), n) for n in asking if got[n]),
        default=(Fraction(-1), ""),
    )
    following = min((Fraction(2 * got[n] + 1, asking[n]), n) for n in asking)
    assert latest < following


@given(st.integers(0, 300), ROUNDS)
def test_an_earlier_round_is_served_first(stock, rounds):
    first = sum(share(stock, rounds[:1]).values())
    assert first == min(stock, sum(rounds[0].values()))
    if stock <= sum(rounds[0].values()):
        got = share(stock, rounds)
        assert {n: got[n] for n in rounds[0]} == in_proportion(stock, rounds[0])


def test_shares_worked_by_hand():
    # Parts of 10 for 6, 6 and 1 are 4.6, 4.6 and 0.8; each rounds to the nearest, and there are
    # 11 of those: of the three last turns, 9/6, 9/6 and 1/1, the latest goes back.
    assert in_proportion(10, {"b": 6, "a": 6, "c": 1}) == {"b": 4, "a": 5, "c": 1}
    assert in_proportion(1, {"b": 5, "a": 5}) == {"b": 0, "a": 1}
    assert in_proportion(0, {"a": 3}) == {"a": 0}
    assert share(5, [{"a": 4}, {"b": 4, "a": 2}]) == {"a": 4, "b": 1}


def test_a_larger_stock_does_not_take_from_the_least():
    # Largest remainders give "c" of 10 things 2 and of 11 things 1 (the Alabama paradox).
    asks = {"a": 600, "b": 600, "c": 200}
    ten, eleven = in_proportion(10, asks), in_proportion(11, asks)
    assert all(eleven[name] >= ten[name] for name in asks)


def test_a_kilogram_among_a_thousand_sites_is_quick_and_exact():
    asks = {f"site{n:04}": 900 + 7 * n for n in range(1000)}
    got = in_proportion(1_000_000, asks)
    assert sum(got.values()) == 1_000_000
    total = sum(asks.values())
    assert max(abs(got[n] - 1_000_000 * asks[n] / total) for n in asks) < 1
