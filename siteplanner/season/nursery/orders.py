"""How much: seed, trays, tubes, mix and bench area for a number of plants. Pure sums."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.special import ndtr

from siteplanner.season.nursery.schedule import add_months
from siteplanner.site.nursery import Nursery

Range = tuple[float, float, float]
"""A share or a number at its worst, as expected, and at its best."""
Steps = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def _evenly(steps: int, nodes: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Quantiles of independent steps (steps, n) and weights (n,) of a mean over all of them.

    Gauss-Legendre nodes in each: with five, the mean is within 0.001 of that over a grid of
    24 quantiles a step, for batches of 20 to 1000 plants.
    """
    at, weight = leggauss(nodes)
    quantiles = np.array(np.meshgrid(*[(at + 1) / 2] * steps, indexing="ij"))
    weights = np.array(np.meshgrid(*[weight / 2] * steps, indexing="ij")).prod(axis=0)
    return quantiles.reshape(steps, -1), weights.ravel()


#: Quantiles of the four steps from seed to plant, over all that may be, and their weights.
_QUANTILES, _WEIGHTS = _evenly(4, 5)
#: More is not sown to spare: a batch that needs it hangs on one unsure step.
_MOST_SPARE = 4.0


@dataclass(frozen=True)
class Order:
    """What one batch takes. Numbers that hang on an unknown fact are NaN.

    ``seeds`` are germinable or not; ``grams`` of seed as weighed; ``seeds_in_a_tube`` is 0 for
    seed sown in trays. ``plants`` is what it may come to: all losses at their worst, as
    expected, and at their best; never more than there are tubes for. ``spare`` is the share
    sown beyond the expected losses, ``enough`` the chance that it gives the plants asked for.
    """

    seeds: float
    grams: float
    seeds_in_a_tube: int
    trays: int
    tubes: int
    racks: int
    sand_l: float
    compost_l: float
    plants: Range
    spare: float
    enough: float


def order_for(
    plants: int,
    rules: Nursery,
    *,
    germination: Range,
    seeds_per_gram: float,
    purity: float,
    into_tubes: bool,
) -> Order:
    """Reckon what it takes to have ``plants`` good to plant, with something to spare.

    Sown in trays: seeds = plants / (germination x pricking-out survival x tube survival x share
    left after culling); structure after Bisht & Ahlawat (1999). Sown into tubes: so many seeds
    a tube that no more than ``rules.empty_tubes`` stay empty. ``rules.spare`` is sown on top;
    where it is not given, as much as makes the chance of enough plants ``rules.enough``.
    """
    if plants <= 0:
        return Order(0, 0, 0, 0, 0, 0, 0, 0, (0.0, 0.0, 0.0), 0.0, 1.0)

    steps = steps_of(germination, rules)

    def with_spare(spare: float) -> Order:
        return _order(plants, spare, rules, germination, seeds_per_gram, purity, into_tubes, steps)

    if rules.spare is not None:
        return with_spare(rules.spare)
    least, most = 0.0, 1.0
    while with_spare(most).enough < rules.enough and most < _MOST_SPARE:
        least, most = most, 2 * most
    while most - least > 0.005:
        middle = (least + most) / 2
        if with_spare(middle).enough < rules.enough:
            least = middle
        else:
            most = middle
    return with_spare(most)


def _order(
    plants: int,
    spare: float,
    rules: Nursery,
    germination: Range,
    seeds_per_gram: float,
    purity: float,
    into_tubes: bool,
    steps: Steps,
) -> Order:
    wanted = plants * (1 + spare)
    strong = rules.tube_survival[1] * rules.after_cull[1]
    in_tube = seeds_in_a_tube(germination[1], rules.empty_tubes) if into_tubes else 0
    if into_tubes:
        tubes = ceil(wanted / (strong * (1 - chance_empty(germination[1], in_tube))))
        seeds, trays = tubes * in_tube, 0
        come_up = tuple(tubes * (1 - chance_empty(share, in_tube)) for share in germination)
        pricked: Range = (1.0, 1.0, 1.0)
    else:
        tubes = ceil(wanted / strong)
        pricked = rules.prick_out_survival
        seeds = seeds_needed(wanted, germination[1], pricked[1], *_middle(rules))
        trays = ceil(seeds * germination[1] / rules.germinants_per_tray)
        come_up = tuple(seeds * share for share in germination)
    low, middle, high = (
        min(n * p, tubes) * t * c
        for n, p, t, c in zip(come_up, pricked, rules.tube_survival, rules.after_cull, strict=True)
    )
    tray_mix = trays * rules.tray_litres * (1 + rules.mix_waste)
    tube_mix = tubes * rules.tube_litres * (1 + rules.mix_waste)
    sand = tray_mix * rules.tray_sand + tube_mix * rules.tube_sand
    return Order(
        seeds=seeds,
        grams=grams(seeds, seeds_per_gram, purity),
        seeds_in_a_tube=in_tube,
        trays=trays,
        tubes=tubes,
        racks=ceil(tubes / rules.tubes_per_rack),
        sand_l=sand,
        compost_l=tray_mix + tube_mix - sand,
        plants=(low, middle, high),
        spare=spare,
        enough=chance_enough(plants, seeds, in_tube, tubes, steps),
    )


def steps_of(germination: Range, rules: Nursery) -> Steps:
    """Shares that come through the four steps from seed to plant, at all quantiles."""
    shares = (germination, rules.prick_out_survival, rules.tube_survival, rules.after_cull)
    comes_up, pricked, in_tubes, kept = (
        triangular(evenly, share) for evenly, share in zip(_QUANTILES, shares, strict=True)
    )
    return comes_up, pricked, in_tubes, kept


def chance_enough(plants: int, seeds: float, in_tube: int, tubes: int, steps: Steps) -> float:
    """Chance that seed sown in trays (``in_tube`` 0) or into tubes comes to ``plants`` or more.

    ``steps`` are those of :func:`steps_of`.

    Each share is triangular between its worst and its best, most likely as expected (a
    three-point estimate: common practice, no source), the same for the whole batch; seedlings
    beyond the tubes are thrown away; what comes through a step of its share scatters as lone
    plants' fates do (binomial, taken as normal).
    """
    comes_up, pricked, in_tubes, kept = steps
    tried, share = (
        (tubes, 1 - (1 - comes_up) ** in_tube) if in_tube else (seeds, comes_up * pricked)
    )
    scatter = np.sqrt(np.maximum(tried * share * (1 - share), 1e-9))
    # Mean of what is normal, cut off at the tubes.
    room = (tubes - tried * share) / scatter
    below = ndtr(room)
    filled = tubes - scatter * (room * below + np.exp(-(room**2) / 2) / math.sqrt(2 * math.pi))
    strong = in_tubes * kept
    spread = np.sqrt(filled * strong * (1 - strong) + strong**2 * scatter**2 * below)
    # Half a plant: whole plants are counted, and the normal distribution is continuous.
    enough = ndtr((filled * strong - plants + 0.5) / np.maximum(spread, 1e-9))
    return float(enough @ _WEIGHTS)


def triangular(evenly: NDArray[np.float64], share: Range) -> NDArray[np.float64]:
    """Values of a triangular distribution (least, most likely, most) at quantiles ``evenly``.

    >>> triangular(np.array([0.0, 0.5, 1.0]), (0.2, 0.4, 0.6)).tolist()
    [0.2, 0.4, 0.6]
    """
    low, mode, high = share
    if high <= low:
        return np.full(evenly.shape, mode)
    rising = low + np.sqrt(evenly * (high - low) * (mode - low))
    falling = high - np.sqrt((1 - evenly) * (high - low) * (high - mode))
    return np.where(evenly < (mode - low) / (high - low), rising, falling)


def _middle(rules: Nursery) -> tuple[float, float]:
    return rules.tube_survival[1], rules.after_cull[1]


def ceil(number: float) -> int:
    """Round up, but not for the dust of floating point (100.00000000000001 is 100)."""
    return math.ceil(round(number, 6))


def seeds_needed(plants: float, germination: float, *survivals: float) -> int:
    """Seeds to sow so that ``plants`` come through: plants / product of the shares, rounded up.

    Structure: Bisht & Ahlawat (1999), Seed Technology, State Forest Research Institute.

    >>> seeds_needed(100, 0.5, 0.8)
    250
    """
    return ceil(plants / (germination * math.prod(survivals)))


def grams(seeds: float, seeds_per_gram: float, purity: float) -> float:
    """Weight of ``seeds``, g, of which the share ``purity`` by weight is seed.

    >>> grams(500, seeds_per_gram=100, purity=0.5)
    10.0
    """
    return seeds / (seeds_per_gram * purity)


def chance_empty(germination: float, seeds: int) -> float:
    """Chance that none of ``seeds`` in a tube comes up: (1 - germination) ^ seeds.

    Schubert & Fowells (1964), Research Note PSW-44, use the same theory.
    """
    return float((1 - germination) ** seeds)


def seeds_in_a_tube(germination: float, empty: float) -> int:
    """Fewest seeds a tube with a chance of at most ``empty`` that nothing comes up."""
    if germination >= 1:
        return 1
    return max(1, math.ceil(round(math.log(empty) / math.log(1 - germination), 9)))


def share_out(total: int, lots: int) -> list[int]:
    """Divide whole plants among lots as evenly as can be, the first ones one more.

    >>> share_out(11, 4)
    [3, 3, 3, 2]
    """
    return [total // lots + (n < total % lots) for n in range(lots)]


def bench_by_month(
    stays: Iterable[tuple[date, date, float]],
) -> dict[date, float]:
    """Area taken in each month, m², at the month's fullest day.

    Each stay is (from, to, m²); the day ``to`` is not counted. Keys are first days of months,
    all from the first stay to the last.
    """
    changes: dict[date, float] = {}
    for start, end, area in stays:
        if end > start:
            changes[start] = changes.get(start, 0.0) + area
            changes[end] = changes.get(end, 0.0) - area
    if not changes:
        return {}
    month, last = min(changes).replace(day=1), max(changes) - timedelta(days=1)
    days = sorted(changes)
    found: dict[date, float] = {}
    area, place = 0.0, 0
    while month <= last:
        following = add_months(month, 1)
        if place < len(days) and days[place] == month:
            area, place = area + changes[days[place]], place + 1
        most = area
        while place < len(days) and days[place] < following:
            area, place = area + changes[days[place]], place + 1
            most = max(most, area)
        found[month] = round(max(most, 0.0), 6)
        month = following
    return found
