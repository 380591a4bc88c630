"""Cultivation: which blocks a machine rips or mounds, which it cannot, and in which month.

A ripper shatters dry soil and smears wet one: rip in fairly dry conditions (TreeProject, "Prepare
the ground"), and clay only when it is drier still. Wet ground is mounded, so that roots have air
(common practice, no source). How dry is dry enough is our own judgement, no source: by the store
of the water balance (see :mod:`siteplanner.season.windows`), a look with a spade decides.
"""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.planting.rows.patterns import pattern_infos
from siteplanner.planting.zones.describe import GroundSummary
from siteplanner.reading.kept_blocks import IN_THE_GROUND
from siteplanner.season.windows import STORED_MM, Moisture, Window
from siteplanner.site.planting import WorkRates

CLAYS = ("clay", "silty clay", "sandy clay", "clay loam", "silty clay loam")
#: Share of the soil's store that may be left for ripping: of clay, of any other soil.
_DRY_CLAY, _DRY = 0.25, 0.75
#: Days that ripped ground and mounds settle before trees go in (from memory).
_SETTLES = {"rip": 30, "mound": 60}
_YEAR = 365
CONSENT = (
    "have buried services located first; on peat and near waterways mounding and drains may need "
    "a consent: ask before you begin"
)


def cultivation(
    blocks: gpd.GeoDataFrame,
    grounds: Sequence[GroundSummary],
    marks: Sequence[frozenset[str]],
    rip_m: NDArray[np.float64],
    moisture: Moisture | None,
    rates: WorkRates,
) -> pd.DataFrame:
    """Say how each block (``block, pattern, trees, status``) is cultivated.

    Returns ``block, how, mounds, why``; ``how`` is rip, mound or none. ``rip_m`` (blocks,) are the
    lines that a machine could rip. Wet ground that bears a machine's slope is mounded, a mound a
    tree, so is clay that the water balance never finds dry enough. ``why`` says why a block is
    mounded or has neither; it is "" where it is ripped, and where trees are in the ground already.
    """
    ripped = {name for name, facts in pattern_infos().items() if facts.ripped}
    rows = []
    for block, one, mark, metres in zip(blocks.itertuples(), grounds, marks, rip_m, strict=True):
        clay = one.texture in CLAYS
        never = moisture is not None and not dry_enough(moisture, clay).any()
        if block.status == IN_THE_GROUND:
            how, why = "none", ""
        elif one.slope_to > rates.rip_steepest_deg:
            how, why = "none", f"steeper than {rates.rip_steepest_deg:g}°, not for a machine"
        elif "wet" in mark:
            how, why = "mound", f"the ground is {one.drainage}"
        elif never and clay:
            how, why = "mound", "its clay is never dry enough to rip by the water balance"
        elif never:
            how, why = "none", "it is never dry enough to rip by the water balance"
        elif metres > 0:
            how, why = "rip", ""
        elif block.pattern not in ripped:
            how, why = "none", f"a machine cannot follow the pattern {block.pattern}"
        else:
            how, why = "none", "its rows are too short or too uneven for a machine"
        rows.append((block.block, how, int(block.trees) if how == "mound" else 0, why))
    return pd.DataFrame(rows, columns=["block", "how", "mounds", "why"])


def dry_enough(moisture: Moisture, clay: bool) -> NDArray[np.bool_]:
    """Days (365,) on which soil is dry enough to be ripped: none that is wet."""
    most = STORED_MM * (_DRY_CLAY if clay else _DRY)
    return np.asarray((moisture.stored_mm <= most) & ~moisture.wet)


def months_before(how: str, clay: bool, window: Window, moisture: Moisture | None) -> int:
    """How many months before its window opens a block is ripped or mounded, 0 to 12.

    The last days before it that are dry enough, with time to settle; for mounds the driest ones.
    Without a climate, half a year for either (so Limestone Coast Landscape Board,
    "Shelterbelts", for ripping).
    """
    if moisture is None:
        return 6
    ahead = np.arange(_SETTLES[how], _YEAR)
    back = (window.first - 1 - ahead) % _YEAR
    if how == "rip":
        good = dry_enough(moisture, clay)[back]
    else:
        stored = moisture.stored_mm[back]
        good = stored <= stored.min() + 1
    opens = np.datetime64("2023-01-01") + np.timedelta64(window.first - 1, "D")
    then = opens - np.timedelta64(int(ahead[good.argmax()]), "D")
    return int((opens.astype("datetime64[M]") - then.astype("datetime64[M]")).astype(int))


def words_on_cultivation(found: pd.DataFrame) -> list[str]:
    """Name the blocks that are mounded and those that get neither, each with why."""
    said = []
    for how, begin, end in (
        ("mound", "Mounded, not ripped", f": {CONSENT}."),
        ("none", "Neither ripped nor mounded", ": loosen each spot by hand."),
    ):
        mine = found[(found["how"] == how) & (found["why"] != "")]
        if mine.empty:
            continue
        by_why = mine.groupby("why", sort=False)["block"].apply(lambda names: ", ".join(names))
        parts = "; ".join(f"{names} ({why})" for why, names in by_why.items())
        said.append(f"{begin}: blocks {parts}{end}")
    return said
