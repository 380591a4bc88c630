"""Supply: what was counted of a nursery's batches, what is on hand, and what to plant instead."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from siteplanner.base.errors import Errors, near
from siteplanner.planting.lay_out import Layout
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.nursery_counts import Hand
from siteplanner.reading.on_hand import (
    came_of,
    latest_counts,
    sown_into_tubes,
    species_of_batch,
)
from siteplanner.season.nursery.batches import Batch
from siteplanner.season.nursery.orders import Range
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

#: Columns of the two tables; see :class:`~.year.NurseryYear`.
SUPPLY = ("species", "ordered", "to_plant", "on_hand", "worst", "expected", "best", "short")
SUBSTITUTES = ("zone", "species", "substitute", "suitability", "spare", "offered")
_SUBSTITUTES = 3
_NOT_SCORED = 255


def counted_batches(
    batches: Sequence[Batch], hand: Hand, site: Site, facts: pd.DataFrame
) -> tuple[list[Batch], dict[str, Range], list[str]]:
    """Put what was counted in place of what was expected of each batch.

    Which count is taken says ``latest_counts``. Counts whose species or place is not the batch's
    are refused. A batch that the plan no longer has is named, and its plants are given apart, by
    species; a code that no batch can have is an error (:class:`~siteplanner.InputError`).
    """
    by_name = {batch.batch: batch for batch in batches}
    latest, said = latest_counts(hand)
    species = _species_counted(latest, by_name, hand, site, facts)
    rules = site.nursery
    found = []
    for batch in batches:
        if batch.batch in latest:
            stage, count = latest[batch.batch]
            # A mix made for what came up has tubes for all of it, whichever batch it is of.
            tubes = math.inf if site.mix.from_counts else batch.order.tubes
            if stage != "germinated" and count > tubes:
                said.append(
                    f"Batch {batch.batch}: {count} {stage}, more than the {batch.order.tubes} "
                    "tubes planned. Check the count."
                )
            expected = came_of(count, stage, rules, batch.into_tubes, tubes)
            batch = dataclasses.replace(batch, stage=stage, counted=count, expected=expected)
        found.append(batch)
    row_of = facts.set_index("botanical_name")
    apart: dict[str, Range] = {}
    for code in [code for code in latest if code not in by_name]:
        (stage, count), name = latest[code], species[code]
        more = came_of(count, stage, rules, sown_into_tubes(row_of.loc[name]))
        low, middle, high = apart.get(name, (0.0, 0.0, 0.0))
        apart[name] = (low + more[0], middle + more[1], high + more[2])
        said.append(
            f"Batch {code} is not in this plan any more: what was counted of it ({count} {stage}) "
            f"counts as plants of {name}, beside the plan's own batches."
        )
    return found, apart, said


def _species_counted(
    latest: Iterable[str],
    batches: Mapping[str, Batch],
    hand: Hand,
    site: Site,
    facts: pd.DataFrame,
) -> dict[str, str]:
    """Species of each batch that was counted or is on hand; refuses those that cannot be."""
    codes = dict(zip(facts["code"], facts["botanical_name"], strict=True))
    counts, stock = (site.folder / (n or "") for n in (site.nursery.counts, site.nursery.stock))
    written = [(counts, *row) for row in hand.counts[["batch", "species", "place"]].to_numpy()]
    written += [(stock, *row, "") for row in hand.of_batches[["batch", "species"]].to_numpy()]
    errors = Errors()
    found: dict[str, str] = {}
    for path, code, species, place in written:
        batch = batches.get(code)
        name = batch.species if batch else species_of_batch(code, codes)
        if name is None:
            what = "no batch can have this number, as it begins with no species' code"
            remedy = near(code, batches) if batches else "use the numbers in nursery.csv"
            errors.add(path, f"batch {code}", what, remedy)
            continue
        found[code] = name
        for word, given, own in (
            ("species", species, name),
            ("place", place, batch.lot.place if batch else place),
        ):
            if given and given != own:
                errors.add(
                    path,
                    f"batch {code}, {word}",
                    f"{given!r} was counted, but this batch is now of {own!r}",
                    "use the batch number in the new nursery.csv",
                )
    errors.raise_any()
    return {code: found[code] for code in latest}


def supply_of(
    names: pd.Series[str],
    ordered: pd.Series[int],
    trees: pd.Series[int],
    batches: Sequence[Batch],
    hand: Hand,
    apart: Mapping[str, Range],
) -> pd.DataFrame:
    """Sum up what each species comes to (see :class:`~.year.NurseryYear`).

    ``ordered`` has the plants to raise of each species, infill too; ``trees`` those that are still
    to be planted, without it; ``apart`` are plants of batches that the plan no longer has. Batches
    raised as infill are left out of what is expected, as of what is short: they wait for deaths to
    be counted.
    """
    rows = []
    for name in names:
        wanted, to_plant = int(ordered.get(name, 0)), int(trees.get(name, 0))
        held = hand.stock.get(name, 0)
        came = [b.expected for b in batches if b.species == name and not b.infill]
        came += [apart[name]] if name in apart else []
        if not (wanted or held or came):
            continue
        worst, expected, best = (int(held + sum(e[n] for e in came) + 1e-6) for n in range(3))
        short = max(0, to_plant - expected)
        rows.append((name, wanted, to_plant, held, worst, expected, best, short))
    return pd.DataFrame(rows, columns=list(SUPPLY))


def said_of_stock(batches: Sequence[Batch], hand: Hand) -> list[str]:
    """Say that plants on hand count beside a species' counted ones, where there are both."""
    counted = {batch.species for batch in batches if batch.stage}
    return [
        f"{name}: the {held} plants on hand count beside its counted batches, as plants from "
        "elsewhere. If they are of a batch, write its number in a column batch of the stock file."
        for name, held in hand.stock.items()
        if held and name in counted
    ]


def substitutes_of(
    inputs: Inputs,
    suitability: Suitability,
    layout: Layout,
    supply: pd.DataFrame,
    lowest_suitability: int,
) -> pd.DataFrame:
    """Find the species that fit best where each species is still to be planted, zone by zone."""
    names = inputs.species.facts["botanical_name"].to_numpy()
    trees, kinds = layout.trees[layout.to_come], layout.tree_species[layout.to_come]
    rows, cols = inputs.grid.rows_cols(trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy())
    scores = suitability.on_grid(suitability.score)[:, rows, cols].astype(np.float64)
    inside = (scores != _NOT_SCORED).all(axis=0)
    zones, zone = np.unique(trees["zone"].to_numpy().astype(str), return_inverse=True)
    place = zone * len(names) + kinds
    number = np.bincount(place[inside], minlength=len(zones) * len(names))
    sums = np.stack(
        [np.bincount(place[inside], s[inside], minlength=len(number)) for s in scores], axis=1
    )
    mean = sums / np.maximum(number, 1)[:, None]
    spare = (supply["expected"] - supply["to_plant"]).clip(lower=0)
    spare = pd.Series(spare.to_numpy(), index=supply["species"])
    short = set(supply["species"][supply["short"] > 0])
    found = []
    for here in np.flatnonzero(number):
        own = names[here % len(names)]
        scores_here = mean[here].copy()
        usable = [
            n
            for n in np.argsort(-scores_here, kind="stable")
            if scores_here[n] >= lowest_suitability and names[n] != own and names[n] not in short
        ]
        found += [
            (
                zones[here // len(names)],
                own,
                names[n],
                round(float(scores_here[n])),
                int(spare.get(names[n], 0)),
            )
            for n in usable[:_SUBSTITUTES]
        ]
    frame = pd.DataFrame(found, columns=list(SUBSTITUTES[:-1]))
    planted = pd.Series(number, index=pd.MultiIndex.from_product([zones, names]), dtype=np.int64)
    return frame.assign(offered=offered_once(frame, supply, planted[planted > 0]))


def offered_once(
    substitutes: pd.DataFrame, supply: pd.DataFrame, planted: pd.Series[int]
) -> NDArray[np.int64]:
    """Hand the spare plants out among the species that are short, each plant to one of them.

    ``planted`` are the trees by zone and species, by which what is short is divided among zones.
    The best suited pair of species and substitute comes first.
    """
    short = supply.set_index("species")["short"]
    need: dict[tuple[str, str], int] = {}
    for name, lack in short[short > 0].items():
        mine = planted[planted.index.get_level_values(1) == name]
        upto = np.floor(lack * mine.cumsum().to_numpy() / max(1, int(mine.sum()))).astype(int)
        need |= dict(zip(mine.index, np.diff(upto, prepend=0).tolist(), strict=True))
    left = dict(zip(substitutes["substitute"], substitutes["spare"], strict=True))
    offered = np.zeros(len(substitutes), dtype=np.int64)
    rows = substitutes[["zone", "species", "substitute"]].to_numpy()
    for at in np.argsort(-substitutes["suitability"].to_numpy(dtype=float), kind="stable"):
        zone, species, other = rows[at]
        given = min(need.get((zone, species), 0), left[other])
        if given:
            offered[at] = given
            need[zone, species] -= given
            left[other] -= given
    return offered
