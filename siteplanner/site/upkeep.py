"""Settings of what follows planting, and of what work costs, every one documented once, here."""

from __future__ import annotations

from typing import Annotated, Literal

import pydantic
from pydantic import Field

from siteplanner.site.table import Share, Table

Times = Annotated[int, Field(ge=0, le=12)]
Height = Annotated[float, Field(gt=0, le=10)]
Price = Annotated[float, Field(ge=0, le=1e6)] | None
Animal = Literal[
    "rabbits", "hares", "small deer", "large deer", "sheep", "goats", "cattle", "horses",
    "wallabies", "kangaroos", "possums",
]  # fmt: skip


class Growth(Table):
    """``[upkeep.growth_m]``: metres a year by the species table's growth_rate (from memory)."""

    fast: Height = 0.6
    medium: Height = 0.35
    slow: Height = 0.2


class Upkeep(Table):
    """``[upkeep]``: weeding, guards and stakes, again and again until trees need them no more."""

    weeds: Literal["by hand", "mulch", "mat", "spray"] = "by hand"
    """How the spots are kept free of weeds. Spray only as the label, a permit and local law let
    you, and never near water."""
    weedings_a_year: Times = 2
    clear_of_weeds_m: Height = 1.5
    """A tree this tall is clear of weeds: about a person's height, three to four years (Exmoor
    Trees, "Weed control")."""
    planted_m: Height = 0.3
    """Height of a plant when it is planted (from memory)."""
    growth_m: Growth = Growth()
    browsed_by: tuple[Animal, ...] = ()
    """Who browses here; guards stay on until trees have outgrown the tallest of them."""
    guard_checks_a_year: Times = 2
    """At least twice a year (common practice; so Glorious Gardens Sussex, "Tree protection")."""
    guard_years: Annotated[int, Field(ge=1, le=20)] = 6
    """A guard that is on for longer chafes or strangles (from memory)."""
    stakes_lost: Share = 0.1
    """Share of the stakes that rot or break in a year (from memory)."""

    @pydantic.model_validator(mode="after")
    def _grows(self) -> Upkeep:
        if self.planted_m >= self.clear_of_weeds_m:
            raise ValueError("clear_of_weeds_m must be more than planted_m")
        return self


class Prices(Table):
    """``[prices]``: what one of each costs, in your currency; what is left out is asked for.

    A tree in the ground with its guard and labour is priced by tree_cost under [mix].
    """

    currency: Annotated[str, Field(max_length=20)] = ""
    fence_m: Price = None
    gate: Price = None
    rip_m: Price = None
    mound: Price = None
    weed_m2: Price = None
    """A square metre kept free of weeds, once."""
    mulch_m3: Price = None
    water_m3: Price = None
    stake: Price = None
    guard_check: Price = None
    """One guard looked at and straightened, once."""
    guard_removed: Price = None
    count_tree: Price = None
    """One tree counted, once."""
    seed_ha: Price = None
    """A hectare seeded from above, seed included."""
