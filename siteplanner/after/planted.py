"""What was planted: read back from the folder that a plan was written to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from siteplanner.base.errors import input_error
from siteplanner.reading.published import read_published, whole_numbers
from siteplanner.reading.species.survival_rates import kind_of_ground


@dataclass(frozen=True)
class Planted:
    """The trees of a plan on the ground.

    ``trees`` has ``block, zone, row, species, planted``, one row for every species in every
    planting row. ``zones`` maps a zone's letter to its title and its ground in words;
    ``allowed`` is the plants ordered for infill, by species; ``substitutes`` has
    ``zone, species, substitute``, the best first, and may be empty. ``latitude`` in degrees.
    ``grounds`` maps a zone's letter to its kind of ground; ``waiting`` names the plan's blocks that
    are not planted yet, which ``trees`` has not.
    """

    trees: pd.DataFrame
    zones: dict[str, tuple[str, str]]
    allowed: dict[str, int]
    substitutes: pd.DataFrame
    latitude: float
    grounds: Mapping[str, str] = field(default_factory=dict)
    waiting: frozenset[str] = frozenset()

    def ground_of(self, zone: str) -> str:
        """Name a zone's kind of ground; plans that do not say it have it in the zone's title."""
        words = re.findall("[a-z]+", self.zones.get(zone, ("", ""))[0].lower())
        return self.grounds.get(zone) or kind_of_ground(
            ["wet" if w == "boggy" else w for w in words]
        )


def read_planted(folder: Path) -> Planted:
    """Read a plan's own files back.

    Raises :class:`~siteplanner.InputError` when the folder holds no plan.
    """
    plan = read_published(folder)
    trees = plan.features("trees", ("block", "zone", "row", "species"))
    zones = plan.features("zones", ("zone", "title", "ground"))
    sizes = (
        trees.groupby(["block", "zone", "row", "species"], sort=True)
        .size()
        .rename("planted")
        .reset_index()
    )
    counts = plan.table("counts.csv", ["species", "infill"])
    numbers = whole_numbers(folder / "counts.csv", counts, "infill")
    infill = numbers.groupby(counts["species"]).sum()
    words = {z.zone: (str(z.title), str(z.ground)) for z in zones.itertuples()}
    allowed = {str(k): int(v) for k, v in infill.items()}
    middle = zones.to_crs(4326).union_all().centroid
    if middle.is_empty:
        raise input_error(
            folder / "plan.gpkg", "layer zones", "it has no zones", "run siteplanner plan again"
        )
    substitutes = plan.table("nursery_substitutes.csv", ["zone", "species", "substitute"])
    substitutes = substitutes[["zone", "species", "substitute"]]
    grounds = (
        {z.zone: str(z.ground_kind) for z in zones.itertuples()} if "ground_kind" in zones else {}
    )
    return Planted(sizes, words, allowed, substitutes, float(middle.y), grounds)


def draw_rows(planted: Planted, trees: int, seed: int) -> pd.DataFrame:
    """Draw planting rows at random in each block, until they hold ``trees`` trees.

    At least five rows of a block are drawn where it has them, so that the rows' differences
    can be told. Each block's draw hangs on ``seed`` and the block's name alone. Returns rows
    of ``planted.trees``.
    """
    found = []
    for block, mine in planted.trees.groupby("block", sort=True):
        sizes = mine.groupby("row", sort=True)["planted"].sum()
        letters = [ord(letter) for letter in str(block)]
        order = np.random.default_rng([seed, *letters]).permutation(len(sizes))
        upto = np.cumsum(sizes.to_numpy()[order])
        enough = int(np.searchsorted(upto, trees)) + 1
        drawn = sizes.index[order[: max(enough, _FEWEST_ROWS)]]
        found.append(mine[mine["row"].isin(drawn)])
    return pd.concat(found, ignore_index=True) if found else planted.trees.iloc[:0]


_FEWEST_ROWS = 5
