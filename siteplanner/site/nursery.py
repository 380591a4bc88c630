"""Settings of the nursery and of survival counts, every one documented once, here."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import pydantic
from pydantic import Field

from siteplanner.site.table import Metres, Share, Table


def _rising(triple: tuple[float, float, float]) -> tuple[float, float, float]:
    if not 0 < triple[0] <= triple[1] <= triple[2]:
        raise ValueError("write three rising shares above 0: worst, expected, best")
    return triple


Survivors = Annotated[tuple[Share, Share, Share], pydantic.AfterValidator(_rising)]
"""Share that survives a step of the nursery: worst, expected and best."""
Weeks = Annotated[int, Field(ge=0, le=104)]
Months = Annotated[float, Field(gt=0, le=60)]
Litres = Annotated[float, Field(gt=0, le=1000)]
Area = Annotated[float, Field(gt=0, le=10)]


class Nursery(Table):
    """``[nursery]``: how the plants are raised.

    The defaults are common practice or from memory, no source, unless one is named; your
    nursery's own figures are better.
    """

    plant_on: Annotated[int, Field(ge=1900, le=2200)] | date | None = None
    """First year of planting, such as 2028; each block is then planted in the weeks that suit its
    ground. A day, such as 2028-09-04, is the first one on which anybody plants: what should have
    been planted before it is planted a year later. Without it nothing is dated."""
    planting_weeks: Weeks = 6
    """How long plants may still be put in after a planting window opens."""
    harden_weeks: Weeks = 6
    """Time in the open, out of the shade house, before planting."""
    sow_from_c: Annotated[float, Field(ge=-50, le=30)] = 9.0
    """Nothing is sown in a month with a lower mean temperature at the station."""
    clean_weeks: Weeks = 4
    """From the last collecting to sowing: drying, cleaning, pre-treatment."""
    doubtful_months: Months = 4
    """A tray in which nothing comes up for this long is doubtful."""
    give_up_months: Months = 12
    """A tray in which nothing comes up for this long is given up."""
    months_to_plant_out: Months = 12
    """From seed to plantable tubestock, where the species table does not say."""
    hurry: Annotated[float, Field(gt=0, le=1)] = 0.8
    """A late batch can be ready to plant in this share of the usual months."""
    holds_months: Months = 6
    """How long a plant can wait in its tube before it is pot-bound."""
    germination: Survivors = (0.3, 0.5, 0.7)
    """Where the species table does not say (no more than half: DOC, New Zealand)."""
    germination_spread: Annotated[float, Field(ge=0, le=0.9)] = 0.3
    """Germination may be lower or higher by this share of the expected value."""
    prick_out_survival: Survivors = (0.75, 0.9, 0.97)
    tube_survival: Survivors = (0.7, 0.85, 0.95)
    after_cull: Survivors = (0.8, 0.9, 0.95)
    """Share left to plant when weak and misshapen plants are discarded."""
    spare: Share | None = None
    """Sow this share more than the expected losses require; by default what ``enough`` requires."""
    enough: Annotated[float, Field(ge=0.5, le=0.99)] = 0.8
    """Each batch has spare plants so that it reaches the number needed with this chance."""
    purity: Annotated[float, Field(gt=0, le=1)] = 0.9
    """Share of seed by weight in cleaned seed, where the species table does not say."""
    empty_tubes: Annotated[float, Field(gt=0, lt=1)] = 0.05
    """For seed sown straight into tubes: the largest share of tubes that may stay empty."""
    germinants_per_tray: Annotated[int, Field(ge=1, le=10_000)] = 300
    tray_litres: Litres = 4.0
    tray_m2: Area = 0.12
    tray_sand: Share = 0.8
    """Share of river sand in the sowing mix; the rest is compost."""
    tube_litres: Litres = 0.25
    tube_m2: Area = 0.0025
    """A tube of 50 x 50 mm (Munro & Lindenmayer 2011, as quoted elsewhere)."""
    tube_sand: Share = 0.4
    tubes_per_rack: Annotated[int, Field(ge=1, le=500)] = 50
    mix_waste: Share = 0.1
    parents: Annotated[int, Field(ge=1, le=1000)] = 25
    """The fewest mother trees to collect a species from (Winrock)."""
    parents_apart_m: Metres = 100.0
    crop_share: Annotated[float, Field(gt=0, le=1)] = 0.2
    """The largest share of a tree's fruit to take (NSW Office of Environment and Heritage 2011)."""
    lots: Annotated[int, Field(ge=1, le=20)] = 3
    """The most batches of a species; further sources are bulked."""
    labels: Literal["a4-3x7", "a4-2x7", "a4-3x8", "letter-3x10", "letter-2x5"] = "a4-3x7"
    """Label sheet: paper, labels across x down."""
    labels_each: Annotated[int, Field(ge=1, le=100)] = 3
    """Labels for a batch: the seed bag, the trays, the tubes."""
    stock: str | None = None
    """A CSV of plants on hand: ``species, plants``, and ``batch`` for those raised in a batch of
    this nursery, which count as the batch's; all others are from elsewhere."""
    counts: str | None = None
    """A CSV of what was counted: ``batch, stage, count, date`` (see nursery_counts.csv)."""

    @property
    def first_year(self) -> int | None:
        """The first year of planting; None where nothing is dated."""
        return self.plant_on.year if isinstance(self.plant_on, date) else self.plant_on


class Survival(Table):
    """``[survival]``: counting what lives after planting."""

    confidence: Annotated[float, Field(ge=0.5, le=0.999)] = 0.95
    infill_below: Share = 0.75
    """Infill where a smaller share lives; many replant below 0.50 to 0.75 (Florabank)."""
    belief_trees: Annotated[float, Field(ge=0, le=10_000)] = 20.0
    """How many counted trees the expected survival of the species table weighs as much as."""
    draw_trees: Annotated[int, Field(ge=1, le=10_000)] = 60
    """Rows are drawn in each block until they have this many trees (or all of them)."""
    seed: Annotated[int, Field(ge=0)] = 1
    """A different number draws different rows."""
