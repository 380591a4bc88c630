"""Direct seeding: when ground that nobody walks on is seeded from above, and what is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd

from siteplanner.season.plantings import Calendar

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


def seedings_of(
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
