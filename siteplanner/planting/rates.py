"""Rates of work: person-hours that planting takes, by slope, by what a tree gets and by crew."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.site.planting import CrewRates, WorkRates

#: Slope up to which nobody is slower, degrees; the slowest pace on any slope (our own, no source).
EASY_DEG, SLOWEST = 10.0, 0.2


@dataclass(frozen=True)
class Gear:
    """What one tree gets, on average: ``guards, stakes`` pieces, ``mulch_l, water_l`` litres."""

    guards: float
    stakes: float
    mulch_l: float
    water_l: float


def gear_of(rates: WorkRates) -> Gear:
    """Give what each tree gets by the settings.

    >>> gear_of(WorkRates(guards_a_tree=0.5, stakes_a_guard=3)).stakes
    1.5
    """
    return Gear(
        rates.guards_a_tree,
        rates.guards_a_tree * rates.stakes_a_guard,
        rates.mulch_l_a_tree,
        rates.water_l_a_tree,
    )


def minutes_a_tree(gear: Gear, crew: CrewRates) -> float:
    """Minutes that one person of a crew takes for a tree with its gear on easy ground.

    The steps add up (common practice, no source).

    >>> minutes_a_tree(Gear(1, 2, 0, 0), CrewRates())
    8.0
    """
    return (
        crew.plant_min
        + gear.guards * crew.guard_min
        + gear.stakes * crew.stake_min
        + gear.mulch_l / 10 * crew.mulch_10_l_min
        + gear.water_l / 10 * crew.water_10_l_min
    )


def person_hours(
    trees: NDArray[np.integer],
    slope: NDArray[np.float64],
    gear: Gear,
    crew: CrewRates,
    slower: float,
) -> NDArray[np.float64]:
    """Person-hours (n,) for so many trees (n,) on ground of a slope (n,), degrees.

    Each degree over ``EASY_DEG`` costs the share ``slower`` of the day's trees, down to
    ``SLOWEST``; unknown slope (NaN) counts as easy. Common practice, no source.
    """
    pace = np.maximum(1 - slower * np.maximum(np.nan_to_num(slope) - EASY_DEG, 0), SLOWEST)
    return np.asarray(trees * minutes_a_tree(gear, crew) / 60 / pace)


def planting_hours(
    trees: NDArray[np.integer],
    slope: NDArray[np.float64],
    rates: WorkRates,
    contracted: NDArray[np.bool_] | bool = False,
) -> NDArray[np.float64]:
    """Person-hours (n,) of planting, guarding, mulching and watering, by the settings.

    ``contracted`` (n,) tells where contractors work though the site's own crew is volunteers. A
    day's trees that the user counted (``trees_a_person_day``) go before the single steps.
    """
    if rates.trees_a_person_day is not None:
        counted = CrewRates(plant_min=60 * rates.hours_a_day / rates.trees_a_person_day)
        return person_hours(trees, slope, Gear(0, 0, 0, 0), counted, rates.steep_slower)
    gear = gear_of(rates)
    own, hired = (
        person_hours(trees, slope, gear, crew, rates.steep_slower)
        for crew in (rates.volunteers, rates.contractors)
    )
    return np.where(np.asarray(contracted) | (rates.crew == "contractors"), hired, own)
