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
"""Share that comes through a step of the nursery: worst, expected and best."""
Weeks = Annotated[int, Field(ge=0, le=104)]
Months = Annotated[float, Field(gt=0, le=60)]
Litres = Annotated[float, Field(gt=0, le=1000)]
Area = Annotated[float, Field(gt=0, le=10)]


class Nursery(Table):
    """``[nursery]``: how the plants are raised.

    The defaults are common practice or from memory, no source, unless one is named; your
    nursery's own figures are better.
    """

    plant_on: date | None = None
    """First day of planting, such as 2028-09-04; without it nothing is dated."""
    planting_weeks: Weeks = 6
    """How long plants may still be put in after ``plant_on``."""
    harden_weeks: Weeks = 6
    """In the open, out of the shade house, before planting."""
    sow_from_c: Annotated[float, Field(ge=-50, le=30)] = 9.0
    """No sowing in a month whose mean temperature at the station is lower."""
    clean_weeks: Weeks = 4
    """From the last collecting to sowing: drying, cleaning, pre-treatment."""
    doubtful_months: Months = 4
    """A tray that shows nothing for so long is doubtful."""
    give_up_months: Months = 12
    """A tray that shows nothing for so long is given up."""
    months_to_plant_out: Months = 12
    """From seed to plantable tubestock, where the species table does not say."""
    hurry: Annotated[float, Field(gt=0, le=1)] = 0.8
    """A late batch may become plantable in this share of the usual months."""
    holds_months: Months = 6
    """How long a plantable plant stands in its tube before its roots are bound."""
    germination: Survivors = (0.3, 0.5, 0.7)
    """Where the species table does not say (no more than half: DOC, New Zealand)."""
    germination_spread: Annotated[float, Field(ge=0, le=0.9)] = 0.3
    """A species' germination may be lower or higher by this share of itself."""
    prick_out_survival: Survivors = (0.75, 0.9, 0.97)
    tube_survival: Survivors = (0.7, 0.85, 0.95)
    after_cull: Survivors = (0.8, 0.9, 0.95)
    """Share that is fit to plant when weak and misshapen plants are thrown out."""
    spare: Share | None = None
    """Sow so much more than the expected losses ask for; by default what ``enough`` takes."""
    enough: Annotated[float, Field(ge=0.5, le=0.99)] = 0.8
    """The chance that a batch comes to the plants asked of it, which its spare is chosen for."""
    purity: Annotated[float, Field(gt=0, le=1)] = 0.9
    """Seed by weight in cleaned seed, where the species table does not say."""
    empty_tubes: Annotated[float, Field(gt=0, lt=1)] = 0.05
    """Seed sown straight into tubes: the most tubes that may stay empty, as a share."""
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
    """Mother trees a species' seed should come from, at least (Winrock)."""
    parents_apart_m: Metres = 100.0
    crop_share: Annotated[float, Field(gt=0, le=1)] = 0.2
    """The most of a tree's fruit to take (NSW Office of Environment and Heritage 2011)."""
    lots: Annotated[int, Field(ge=1, le=20)] = 3
    """The most batches a species is raised in; sources beyond that are bulked."""
    labels: Literal["a4-3x7", "a4-2x7", "a4-3x8", "letter-3x10", "letter-2x5"] = "a4-3x7"
    """Label sheet: paper, labels across x down."""
    labels_each: Annotated[int, Field(ge=1, le=100)] = 3
    """Labels for a batch: the seed bag, the trays, the tubes."""
    stock: str | None = None
    """A CSV of plants on hand: ``species, plants``, and ``batch`` for those raised in a batch of
    this nursery, which count as the batch's; all others are from elsewhere."""
    counts: str | None = None
    """A CSV of what was counted: ``batch, stage, count, date`` (see nursery_counts.csv)."""


class Survival(Table):
    """``[survival]``: counting what lives after planting."""

    confidence: Annotated[float, Field(ge=0.5, le=0.999)] = 0.95
    infill_below: Share = 0.75
    """Infill where fewer live; many replant below 0.50 to 0.75 (Florabank)."""
    belief_trees: Annotated[float, Field(ge=0, le=10_000)] = 20.0
    """How many counted trees the species table's expectation is worth."""
    draw_trees: Annotated[int, Field(ge=1, le=10_000)] = 60
    """Rows are drawn in each block until they hold so many trees (or all of them)."""
    seed: Annotated[int, Field(ge=0)] = 1
    """Another number draws other rows."""
