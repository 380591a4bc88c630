"""Settings of the planting work and of its years, every one documented once, here."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from siteplanner.site_table import Metres, Table

Rate = Annotated[float, Field(ge=0, le=100_000)]
Days = Annotated[float, Field(gt=0, le=100_000)]
Weeks = Annotated[int, Field(ge=0, le=104)]
Degrees = Annotated[float, Field(ge=0, le=90)]


class Work(Table):
    """``[work]``: what goes with a tree, and how fast people work.

    All defaults are common practice or from memory, no source: your own figures are better.
    """

    guards_a_tree: Rate = 1.0
    stakes_a_guard: Rate = 2.0
    mulch_l_a_tree: Rate = 20.0
    water_l_a_tree: Rate = 5.0
    """At planting; 0 where the ground is wet enough."""
    people: Annotated[int, Field(ge=1, le=500)] = 5
    """People in a crew."""
    trees_a_person_day: Days = 120.0
    """Trees that a person plants a day on easy ground, with guards."""
    steep_slower: Annotated[float, Field(ge=0, le=1)] = 0.02
    """Share of the day's trees lost for each degree of slope over 10."""
    weed_m: Annotated[float, Field(ge=0, le=10)] = 1.0
    """Width of the spot kept free of weeds around a tree, by hand, mulch or mat."""
    weed_weeks: Weeks = 10
    """From weed control to planting."""
    fence_gap_m: Metres = 6.0
    """An existing fence so near to a paddock's edge counts as that edge's fence."""
    rip_steepest_deg: Degrees = 15.0
    """No machine lines on steeper ground."""
    volunteers_deg: Degrees = 15.0
    """Blocks with no more than a tenth of their ground steeper are graded for volunteers."""
    experienced_deg: Degrees = 30.0
    """The same, for experienced people only; steeper ones are graded not on foot."""


class Years(Table):
    """``[years]``: over how many years the planting is spread, and what each year can take.

    Without limits everything is planted in the first year. A limit that is not given is none.
    """

    first: Annotated[int, Field(ge=1900, le=2200)] | None = None
    """The first year of planting, such as 2028; without it years are numbered 1, 2 …"""
    number: Annotated[int, Field(ge=1, le=15)] = 3
    tubes: Annotated[int, Field(ge=0)] | None = None
    """Plants that the nursery can raise a year."""
    bench_m2: Annotated[float, Field(ge=0)] | None = None
    """Bench space of the nursery."""
    tubes_a_m2: Annotated[float, Field(gt=0)] = 300.0
    """Tubes that stand on a square metre of bench (tubes 5 cm wide in racks: from memory)."""
    money: Annotated[float, Field(ge=0)] | None = None
    """What trees in the ground may cost a year; see mix.tree_cost."""
    crew_days: Annotated[float, Field(ge=0)] | None = None
    """Days that a crew can plant a year."""
    nurse_years: Annotated[int, Field(ge=0, le=10)] = 2
    """Years that nurse trees stand before what they shelter is planted among them."""
    shade_lovers: tuple[str, ...] = ()
    """Species (botanical names) that wait for the nurse trees everywhere."""
