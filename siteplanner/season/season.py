"""The season: when things are done, and what frost, dig and nursery have to do with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.results.memory import Call, afresh
from siteplanner.ground.assess import Ground, Step, nothing_step
from siteplanner.ground.cold.thermometers import best_thermometers, thermometer_words
from siteplanner.planting.lay_out import Layout
from siteplanner.planting.zones import describe
from siteplanner.reading.inputs import Inputs
from siteplanner.season.dig import dig_spots, soil_doubts
from siteplanner.season.frost_by_zone import FrostTold, colder_winter, tell_frost
from siteplanner.season.hours import hours_by_month, words_on_hours
from siteplanner.season.improve import improve_first
from siteplanner.season.nursery.year import NurseryYear, nursery_year
from siteplanner.season.works import Works, works_of
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

#: Layers that the season reads, beside the species' factors.
READS = (*describe.READS, "winter_minimum_error")


@dataclass(frozen=True)
class Season:
    """When things are done on a layout.

    ``works`` and ``nursery`` are the calendars, ``hours`` the person-hours they take by month
    (``siteplanner.season.hours.COLUMNS``); ``tree_year`` (trees,) the year of every tree of
    the layout, 0 for later than the years planned; ``frost`` what is told of frost by zone and
    cell; ``colder_c`` how far the coldest night of one winter in five lies under an average
    one's, °C; ``dig`` the spots where a look with a spade would change the plan most,
    ``thermometers`` those where one more would lower the frost estimate's error most; ``notes``
    what the user should read.
    """

    works: Works
    nursery: NurseryYear
    hours: pd.DataFrame
    tree_year: NDArray[np.int64]
    frost: FrostTold
    colder_c: float
    dig: pd.DataFrame
    thermometers: pd.DataFrame
    notes: tuple[str, ...]


def season_of(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    layout: Layout,
    site: Site,
    *,
    step: Step = nothing_step,
    call: Call = afresh,
) -> Season:
    """Work out the works, the frost, the spots to dig and the nursery's year of a layout.

    What is dear goes through ``call``.

    Raises :class:`~siteplanner.InputError` for counts of what can be no batch.
    """
    frost = tell_frost(
        layout.zones,
        layout.trees,
        ground.layers,
        suitability.mask,
        inputs.grid,
        inputs.species,
        inputs.climate,
        site.frost,
        ground.minimum.winter_c,
        call,
    )
    shapes = layout.blocks.geometry[layout.blocks["spacing_m"] > 0]
    planted = inputs.grid.cover(shapes) & suitability.mask
    thermometers = call(best_thermometers, ground.minimum, ground.night, planted)
    doubts = call(
        soil_doubts,
        suitability.factors,
        ground.layers,
        inputs.soils,
        planted,
        inputs.grid,
        site.mix.lowest_suitability,
    )
    names = list(inputs.species.facts["botanical_name"])
    dig = dig_spots(doubts, inputs.soils, inputs.grid, names)
    first = improve_first(inputs, ground, suitability, planted, doubts, site)
    step("Working out the works and their years")
    done = works_of(inputs, ground, suitability, layout, frost.when, site, call)
    step("Working out the nursery's year")
    nursery = nursery_year(inputs, suitability, layout, done.plantings, done.calendar, site, call)
    hours = hours_by_month(nursery.batches, done.works.jobs, done.works.blocks, site.work)
    return Season(
        works=done.works,
        nursery=nursery,
        hours=hours,
        tree_year=done.tree_year,
        frost=frost,
        colder_c=colder_winter(inputs.climate),
        dig=dig,
        thermometers=thermometers,
        notes=(
            *first,
            *thermometer_words(thermometers),
            *done.notes,
            *nursery.warnings,
            *words_on_hours(hours),
        ),
    )
