"""Stands: each zone's mix is chosen and its species are put on the zone's planting places."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from siteplanner.grid import Grid
from siteplanner.planting.assign import place_species
from siteplanner.planting.layout import Places
from siteplanner.planting.mix import Mixed, Supply, choose_mix, gather
from siteplanner.planting.nurses import nurse
from siteplanner.site import Mix
from siteplanner.species.fit import Fit
from siteplanner.species.table import SpeciesTable


def species_at(
    rules: Mix,
    species: SpeciesTable,
    grid: Grid,
    fitted: Fit,
    blocks: gpd.GeoDataFrame,
    places: Places,
) -> tuple[NDArray[np.int64], list[str]]:
    """Choose each zone's mix and put its species on the zone's places, -1 where none fits.

    ``blocks`` has ``zone`` and ``spacing_m``. Returns the index of each place's species and
    what the user should be told.
    """
    facts = species.facts
    pioneer = np.array(["pioneer" in roles for roles in facts["roles"]])
    survival = facts["expected_survival"].to_numpy(dtype=np.float64)
    kind = np.full(len(places.x), -1, dtype=np.int64)
    said = []
    zone_of = blocks["zone"].to_numpy()[places.block]
    spacing = blocks["spacing_m"].to_numpy(dtype=np.float64)[places.block]
    for number, zone in enumerate(dict.fromkeys(blocks["zone"])):
        mine = np.flatnonzero(zone_of == zone)
        if not len(mine):
            continue
        x, y = places.x[mine], places.y[mine]
        scores = scores_at(grid, fitted, x, y)
        supply = gather(scores, survival, rules)
        mixed = choose_mix(supply, survival, pioneer, rules)
        allowed = np.isfinite(supply.fit)[supply.group] & (supply.group >= 0)[:, None]
        scores[~allowed] = np.nan
        placed = place_species(scores, mixed.trees.sum(axis=0), seed=number)
        kind[mine] = nurse(x, y, placed, scores, pioneer, float(spacing[mine].min()))
        said += _told(zone, supply, mixed, rules)
    return kind, said


def scores_at(
    grid: Grid, fitted: Fit, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Scores (places, species) of the cells that the places stand on.

    A place on the boundary's rim may stand on a cell whose centre lies outside: it takes the
    scores of the nearest scored cell.
    """
    rows, cols = grid.rows_cols(x, y)
    if not fitted.mask[rows, cols].all():
        near = distance_transform_edt(~fitted.mask, return_distances=False, return_indices=True)
        rows, cols = near[0][rows, cols], near[1][rows, cols]
    place_of_cell = np.cumsum(fitted.mask.ravel()).reshape(fitted.mask.shape) - 1
    return fitted.score[:, place_of_cell[rows, cols]].T.astype(np.float32)


def _told(zone: str, supply: Supply, mixed: Mixed, rules: Mix) -> list[str]:
    """Tell which rules gave way in a zone, and how many places stay empty."""
    said = []
    if mixed.given_up:
        said.append(
            f"Zone {zone}: the mix could not hold to {', '.join(mixed.given_up)}; "
            "see [mix] in the site file."
        )
    misfit = int((supply.group < 0).sum())
    open_ = int(supply.size.sum() - mixed.trees.sum())
    if misfit:
        said.append(
            f"Zone {zone}: {misfit} planting places are left empty, as no species "
            f"fits there at {rules.lowest_fit} of 100 or better."
        )
    if open_:
        said.append(
            f"Zone {zone}: {open_} planting places are left empty, so that the "
            "shares asked for in [mix] hold."
        )
    return said
