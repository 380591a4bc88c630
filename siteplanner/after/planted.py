"""What was planted: read back from the folder that a plan was written to."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio

from siteplanner.base.errors import fault
from siteplanner.reading.files.cells import read_cells


@dataclass(frozen=True)
class Planted:
    """The trees of a plan on the ground.

    ``trees`` has ``block, zone, row, species, planted``, one row for every species in every
    planting row. ``zones`` maps a zone's letter to its title and its ground in words;
    ``allowed`` is the plants ordered for infill, by species; ``substitutes`` has
    ``zone, species, substitute``, the best first, and may be empty. ``latitude`` in degrees.
    """

    trees: pd.DataFrame
    zones: dict[str, tuple[str, str]]
    allowed: dict[str, int]
    substitutes: pd.DataFrame
    latitude: float


def read_planted(folder: Path) -> Planted:
    """Read a plan's own files back.

    Raises :class:`~siteplanner.InputError` when the folder holds no plan.
    """
    file = folder / "plan.gpkg"
    mend = "make the plan first, or say with --plan where it is"
    if not file.exists():
        raise fault(folder, "plan.gpkg", "there is no plan in this folder", mend)
    try:
        trees = pyogrio.read_dataframe(file, layer="trees", read_geometry=False)
        zones = pyogrio.read_dataframe(file, layer="zones")
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise fault(file, "", f"it cannot be read ({error})", mend) from None
    sizes = (
        trees.groupby(["block", "zone", "row", "species"], sort=True)
        .size()
        .rename("planted")
        .reset_index()
    )
    counts = read_cells(folder / "counts.csv", ["species", "infill"])
    infill = counts["infill"].astype(np.int64).groupby(counts["species"]).sum()
    words = {z.zone: (str(z.title), str(z.ground)) for z in zones.itertuples()}
    allowed = {str(k): int(v) for k, v in infill.items()}
    latitude = float(zones.to_crs(4326).union_all().centroid.y)
    return Planted(sizes, words, allowed, _substitutes(folder), latitude)


def _substitutes(folder: Path) -> pd.DataFrame:
    columns = ["zone", "species", "substitute"]
    path = folder / "nursery_substitutes.csv"
    if not path.exists():
        return pd.DataFrame(columns=columns, dtype=object)
    return read_cells(path, columns)[columns]


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
