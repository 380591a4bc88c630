"""Counts: trees to plant, to allow for infill, and to order."""

from __future__ import annotations

import numpy as np
import pandas as pd


def count_trees(trees: pd.DataFrame, species: pd.DataFrame) -> pd.DataFrame:
    """Count trees per zone, paddock and species.

    ``trees`` has ``zone, paddock, species`` one row a tree; ``species`` has
    ``botanical_name, common_name, expected_survival``. Returns ``zone, paddock, species,
    common_name, trees, infill, order``: to have ``trees`` alive, ``order`` = trees / expected
    survival, rounded up, of which ``infill`` replace those that die (common practice, no
    source; the survival is an assumption of the species table).
    """
    counts = (
        trees.groupby(["zone", "paddock", "species"], sort=True)
        .size()
        .rename("trees")
        .reset_index()
    )
    facts = species.set_index("botanical_name")
    counts["common_name"] = facts["common_name"].reindex(counts["species"]).to_numpy()
    survival = facts["expected_survival"].reindex(counts["species"]).to_numpy(dtype=float)
    # Rounding guards 85 / 0.85 and the like from coming out as 100.00000000000001.
    counts["order"] = np.ceil(np.round(counts["trees"] / survival, 9)).astype(np.int64)
    counts["infill"] = counts["order"] - counts["trees"]
    return counts[["zone", "paddock", "species", "common_name", "trees", "infill", "order"]]
