"""Allocation: each zone's mix is chosen and its species are put on the zone's planting places."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from siteplanner.base.grid import Grid
from siteplanner.base.results.memory import Call, afresh
from siteplanner.base.side_by_side import side_by_side
from siteplanner.base.text import count
from siteplanner.planting.mix.assign import chance, clumped, place_species
from siteplanner.planting.mix.blocks import into_blocks, words_on_blocks
from siteplanner.planting.mix.mix import Mixed, choose_mix
from siteplanner.planting.mix.nurses import BESIDE, nurse
from siteplanner.planting.mix.runs import in_runs
from siteplanner.planting.mix.shares import share_out
from siteplanner.planting.mix.smother import reach_of, smothered, unsmothered
from siteplanner.planting.mix.supply import Candidates, Supply, gather
from siteplanner.planting.rows.layout import Places
from siteplanner.planting.rows.patterns import pattern_infos
from siteplanner.planting.zones.setbacks import too_tall
from siteplanner.reading.species.table import SpeciesTable
from siteplanner.site.planting import Mix
from siteplanner.suitability.score import Suitability


@dataclass(frozen=True)
class Allocation:
    """Which species stands where: ``kind`` (places,) is -1 where a place stays empty.

    ``mixes`` by zone; ``told`` is what the user should read.
    """

    kind: NDArray[np.int64]
    mixes: dict[str, Mixed]
    told: tuple[str, ...]


def allocate_species(
    rules: Mix,
    species: SpeciesTable,
    grid: Grid,
    suitability: Suitability,
    blocks: gpd.GeoDataFrame,
    places: Places,
    no_plant: gpd.GeoDataFrame,
    stock: dict[str, int] | None = None,
    own: Mapping[str, Mix] | None = None,
    ground: Mapping[str, str] | None = None,
    standing: tuple[Places, NDArray[np.int64]] | None = None,
    call: Call = afresh,
) -> Allocation:
    """Choose each zone's mix and put its species on the zone's places, -1 where none fits.

    ``blocks`` has ``block, zone, pattern, spacing_m``; ``no_plant`` is as ``with_setbacks`` gives
    it: trees that may reach a power line or a building when grown do not stand near it. ``stock``
    is the most there is of each species; None is no limit. ``own`` holds the rules of zones that
    differ, ``ground`` the kind of ground of each, on which survival may have been learnt.
    ``standing`` are trees that stay, places and species: they count in their zone's shares.
    """
    facts = species.facts
    kinds = candidates_of(species, rules)
    on_hand = None if stock is None else np.array([stock.get(n, 0) for n in kinds.names], np.int64)
    height = facts["mature_height_m"].to_numpy(dtype=np.float64)
    zone_of = blocks["zone"].to_numpy()[places.block]
    spacing = blocks["spacing_m"].to_numpy(dtype=np.float64)[places.block]
    zones = [z for z in dict.fromkeys(blocks["zone"]) if (zone_of == z).any()]
    in_zone = {zone: (own or {}).get(zone, rules) for zone in zones}
    kinds_in = {
        zone: candidates_of(species, in_zone[zone], (ground or {}).get(zone, "")) for zone in zones
    }
    spots, scores, supplies = [], [], []
    scored = partial(_scored, grid, suitability, height, no_plant)
    every = scored(places.x, places.y)
    for zone in zones:
        mine = np.flatnonzero(zone_of == zone)
        score = every[mine]
        spots.append(mine)
        scores.append(score)
        of_zone = kinds_in[zone], in_zone[zone]
        supply = gather(score, *of_zone)
        here = blocks["zone"].to_numpy() == zone
        supplies.append(_with_standing(supply, score, here, standing, scored, *of_zone))
    stocks, budgets = share_out(supplies, kinds, rules, stock=on_hand, budget=rules.budget)
    in_rows, in_clumps = _in_rows(blocks), kinds.listed(rules.clump)
    pioneer = kinds.having("pioneer")
    reach = reach_of(facts, pioneer)

    def planted(number: int) -> tuple[Mixed, NDArray[np.int64], list[str]]:
        """Mix of a zone by its number, species on its places, and what is told."""
        zone, mine, score, supply = zones[number], spots[number], scores[number], supplies[number]
        of_zone = kinds_in[zone], in_zone[zone]
        mixed = call(choose_mix, supply, *of_zone, stock=stocks[number], budget=budgets[number])
        score[~supply.where()] = np.nan
        x, y, row, kind = places.x[mine], places.y[mine], places.row[mine], np.full(len(mine), -1)
        taste = _taste(x, y, number, in_clumps & (mixed.trees > 0), rules.clump_m)
        whose, block = np.unique(places.block[mine], return_inverse=True)
        shared = call(into_blocks, supply, score, block, mixed.trees, *of_zone)
        for which, trees in enumerate(shared):
            here = np.flatnonzero(block == which)
            in_order = in_zone[zone].order == "runs" and in_rows[whose[which]]
            kind[here] = call(
                _placed, x[here], y[here], score[here], trees, taste[here],
                float(spacing[mine[here]].min()), pioneer, reach,
                row[here] if in_order else None, in_clumps,
            )  # fmt: skip
        told = _told(zone, supply, mixed, in_zone[zone], stocks[number], kind < 0)
        names = blocks["block"].iloc[whose].tolist()
        told += words_on_blocks(names, shared, *of_zone, zone, mixed.trees)
        return mixed, kind, told + _under_crowns(zone, x, y, kind, reach)

    kind = np.full(len(places.x), -1, dtype=np.int64)
    done = side_by_side(planted, range(len(zones)), [one.suitability.size for one in supplies])
    for mine, (_, theirs, _) in zip(spots, done, strict=True):
        kind[mine] = theirs
    mixes = {zone: mixed for zone, (mixed, _, _) in zip(zones, done, strict=True)}
    return Allocation(kind, mixes, tuple(said for _, _, told in done for said in told))


def _scored(
    grid: Grid,
    suitability: Suitability,
    height: NDArray[np.float64],
    no_plant: gpd.GeoDataFrame,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Scores (places, species), NaN where a species of its ``height`` (m) may not stand."""
    score = scores_at(grid, suitability, x, y)
    score[too_tall(x, y, height, no_plant)] = np.nan
    return score


def _in_rows(blocks: gpd.GeoDataFrame) -> NDArray[np.bool_]:
    """Tell whose trees stand in rows (blocks,), by their patterns."""
    infos = pattern_infos()
    return np.array([infos[name].in_rows for name in blocks["pattern"]], dtype=bool)


def _taste(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    number: int,
    in_clumps: NDArray[np.bool_],
    clump_m: float,
) -> NDArray[np.float32]:
    """Tastes (places, species) of a zone by its number: chance, or like with like in clumps."""
    taste = chance((len(x), len(in_clumps)), number)
    for one in np.flatnonzero(in_clumps):
        taste[:, one] = clumped(x, y, clump_m, seed=int(one) + 1000 * number)
    return taste


def _placed(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    score: NDArray[np.float32],
    trees: NDArray[np.int64],
    taste: NDArray[np.float32],
    spacing_m: float,
    pioneer: NDArray[np.bool_],
    reach: NDArray[np.float64],
    row: NDArray[np.int64] | None,
    in_clumps: NDArray[np.bool_],
) -> NDArray[np.int64]:
    """Put a block's trees on its places, nurses beside slow trees and none under their crowns.

    In runs along their rows, where ``row`` (places,) is given; species ``in_clumps`` stay.
    """
    placed = place_species(score, trees, 0, taste)
    placed = nurse(x, y, placed, score, pioneer, spacing_m)
    if row is not None:
        runs = ~np.append(in_clumps, False)[placed]
        placed[runs] = in_runs(
            placed[runs], row[runs], np.zeros(int(runs.sum()), np.int64), score[runs], pioneer,
            np.column_stack([x, y])[runs], BESIDE * spacing_m,
        )  # fmt: skip
    return unsmothered(x, y, placed, score, reach)


def _under_crowns(
    zone: str,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    kinds: NDArray[np.int64],
    reach: NDArray[np.float64],
) -> list[str]:
    """Say how many trees of a zone stand under the crown that a taller nurse will have."""
    number = int(smothered(x, y, kinds, reach).sum())
    if not number:
        return []
    return [
        f"Zone {zone}: {count(number, 'tree')} that need light will come under the crown of a "
        "taller nurse beside them, because the spacing is less than half its crown. Lop or fell "
        "these nurses before they close over, or choose lower ones."
    ]


def _with_standing(
    supply: Supply,
    score: NDArray[np.float32],
    in_zone: NDArray[np.bool_],
    standing: tuple[Places, NDArray[np.int64]] | None,
    scored: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float32]],
    kinds: Candidates,
    rules: Mix,
) -> Supply:
    """Put the trees that stay in a zone beside its supply; ``in_zone`` tells its blocks."""
    if standing is None or not in_zone[standing[0].block].any():
        return supply
    places, fixed = standing
    mine = in_zone[places.block]
    here = scored(places.x[mine], places.y[mine])
    return replace(
        supply,
        standing=np.bincount(fixed[mine], minlength=len(kinds.names)),
        whole=gather(np.concatenate([score, here]), kinds, rules),
    )


def candidates_of(species: SpeciesTable, rules: Mix, ground: str = "") -> Candidates:
    """Gather what the mix knows of the species, on a kind of ground, from table and site file."""
    facts = species.facts
    names = tuple(facts["botanical_name"])
    aim = np.array([rules.aim.get(name, 0.0) for name in names]) if rules.aim else None
    return Candidates(
        names,
        species.survival_on(ground),
        tuple(tuple(roles) for roles in facts["roles"]),
        aim,
        costs_of(names, rules),
    )


def costs_of(names: Sequence[str], rules: Mix) -> NDArray[np.float64]:
    """Cost of a tree in the ground (species,), in the user's currency."""
    return np.array([rules.tree_costs.get(n, rules.tree_cost) for n in names], dtype=np.float64)


def scores_at(
    grid: Grid, suitability: Suitability, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Scores (places, species) of the cells that the places stand on.

    A place on the boundary's rim may stand on a cell whose centre lies outside: it takes the
    scores of the nearest scored cell.
    """
    rows, cols = grid.rows_cols(x, y)
    if not suitability.mask[rows, cols].all():
        near = distance_transform_edt(
            ~suitability.mask, return_distances=False, return_indices=True
        )
        rows, cols = near[0][rows, cols], near[1][rows, cols]
    place_of_cell = np.cumsum(suitability.mask.ravel()).reshape(suitability.mask.shape) - 1
    return suitability.score[:, place_of_cell[rows, cols]].T.astype(np.float32)


def _told(
    zone: str,
    supply: Supply,
    mixed: Mixed,
    rules: Mix,
    stock: NDArray[np.int64] | None,
    empty: NDArray[np.bool_],
) -> list[str]:
    """Tell which rules gave way in a zone, and how many places stay empty.

    ``stock`` is the zone's; ``empty`` (places,) tells where nothing stands.
    """
    said = []
    if mixed.clashes:
        said.append(
            f"Zone {zone}: {'; '.join(clash.words for clash in mixed.clashes)}. The mix is as "
            "near as the rules under [mix] in the site file allow."
        )
    if unsuited := int((supply.group < 0).sum()):
        said.append(
            f"Zone {zone}: {count(unsuited, 'planting place')} left empty, because no species "
            f"that may be planted there reaches a suitability of {rules.lowest_suitability} of 100."
        )
    left = empty & (supply.group >= 0)
    if left.any():
        suits = supply.where()[left].any(axis=0)
        in_stock = suits if stock is None else suits & (mixed.trees < stock)
        if not in_stock.any():
            why = "the stock of what suits there is used up"
        elif rules.budget is not None:
            why = "the budget is used up"
        else:
            why = "the search for the best mix stopped early; allow more species or larger shares"
        said.append(
            f"Zone {zone}: {count(int(left.sum()), 'planting place')} left empty, because {why}."
        )
    return said
