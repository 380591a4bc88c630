"""Direct seeding: when ground that nobody walks on is seeded from above, and what is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import geopandas as gpd

from siteplanner.ground.assess import Ground
from siteplanner.ground.cold.frost_dates import FrostDates
from siteplanner.planting.access import SEEDED, best_to_seed
from siteplanner.planting.lay_out import Layout
from siteplanner.reading.inputs import Inputs
from siteplanner.season.ground_works import grounds_of
from siteplanner.season.plantings import Calendar, calendar_of
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

JOB = "seed from above"


@dataclass(frozen=True)
class Seeding:
    """One block that is seeded: in which ``year`` and ``month``, on how many map hectares."""

    block: str
    paddock: str
    year: int
    month: int
    area_ha: float
    note: str


def dated(
    blocks: gpd.GeoDataFrame, calendar: Calendar, best: Sequence[Sequence[str] | None]
) -> list[Seeding]:
    """Give each block to be seeded its date: the first year's window of its ground.

    ``calendar`` is of these blocks; ``best`` (blocks,) names the species that suit each best, None
    where that is not known. Seed needs what a plant's roots need, moist ground ahead and no killing
    frost, so it goes out when its ground would be planted (common practice, no source). It takes
    nothing from the nursery and no days of the crew, so it does not wait for them.
    """
    found = []
    years = (calendar.first or 1) + calendar.earliest()
    for block, number, year, names in zip(
        blocks.itertuples(), calendar.of_block, years, best, strict=True
    ):
        window = calendar.windows[number]
        when = window.words if window.fits else f"no time of the year suits: {window.why_not}"
        suited = "not known: ask" if names is None else ", ".join(names) or "none by the table"
        note = (
            f"{when}; nobody on foot there; keep grazing animals out; best suited: {suited}; seed "
            "it takes: not known: ask someone who direct-seeds such ground; flights, drones and "
            "seed may need permits, and local rules decide"
        )
        found.append(
            Seeding(
                str(block.block), str(block.paddock), *calendar.month(number, int(year)),
                float(block.area_ha), note,
            )
        )  # fmt: skip
    return found


def seedings_of(
    inputs: Inputs,
    ground: Ground,
    suitability: Suitability,
    layout: Layout,
    frost: Mapping[str, FrostDates],
    site: Site,
) -> list[Seeding]:
    """Give the blocks of a layout that are seeded from above their dates.

    ``frost`` are the frost dates of each zone.
    """
    seeded = layout.blocks[layout.blocks["steep"] == SEEDED].reset_index(drop=True)
    if seeded.empty:
        return []
    _, marks = grounds_of(seeded, layout.planted, inputs.grid, ground, suitability.mask)
    scores = suitability.on_grid(suitability.score)
    names = list(inputs.species.facts["botanical_name"])
    best = [
        best_to_seed([shape], scores, names, inputs.grid, site.mix.lowest_suitability)
        for shape in seeded.geometry
    ]
    return dated(seeded, calendar_of(seeded, marks, frost, inputs, site), best)
