"""Supply: what was counted of a nursery's batches, what is on hand, and what to plant instead."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd

from siteplanner.base.errors import Errors, near
from siteplanner.planting.lay_out import Layout
from siteplanner.reading.inputs import Inputs
from siteplanner.reading.nursery_counts import STAGES, Hand
from siteplanner.season.nursery.batches import Batch
from siteplanner.season.nursery.orders import come_through
from siteplanner.site.site_file import Site
from siteplanner.suitability.score import Suitability

_SUBSTITUTES = 3
_NOT_SCORED = 255


def counted_batches(
    batches: Sequence[Batch], hand: Hand, site: Site
) -> tuple[list[Batch], list[str]]:
    """Put the latest stage counted in place of what was expected of each batch.

    A later stage counts above an earlier one, a later row above an earlier row. Counts whose
    species or place is not the batch's are refused, since batch numbers follow the seed
    sources.
    """
    path = site.folder / (site.nursery.counts or "")
    errors = Errors()
    by_name = {batch.batch: batch for batch in batches}
    latest: dict[str, tuple[str, int]] = {}
    order = {stage: place for place, stage in enumerate(STAGES)}
    for row in hand.counts.itertuples(index=False):
        batch = by_name.get(row.batch)
        if batch is None:
            errors.add(
                path, f"batch {row.batch}", "the plan has no such batch", near(row.batch, by_name)
            )
            continue
        for word, given, own in (
            ("species", row.species, batch.species),
            ("place", row.place, batch.lot.place),
        ):
            if given and given != own:
                errors.add(
                    path,
                    f"batch {row.batch}, {word}",
                    f"{given!r} was counted, but the batch is of {own!r} now",
                    "use the batch number that stands in the new nursery.csv",
                )
        if order[row.stage] >= order[latest.get(row.batch, ("germinated", 0))[0]]:
            latest[row.batch] = (row.stage, row.count)
    errors.raise_any()
    found, said = [], []
    for batch in batches:
        if batch.batch in latest:
            stage, count = latest[batch.batch]
            expected = come_through(count, stage, site.nursery, batch.order.tubes)
            if stage != "germinated" and count > batch.order.tubes:
                said.append(
                    f"Batch {batch.batch}: {count} {stage}, more than the "
                    f"{batch.order.tubes} tubes planned; look at the count."
                )
            if batch.into_tubes and stage == "germinated":
                expected = come_through(count, "pricked out", site.nursery)
            batch = dataclasses.replace(batch, stage=stage, counted=count, expected=expected)
        found.append(batch)
    return found, said


def supply_of(
    names: pd.Series[str], ordered: pd.Series[int], batches: Sequence[Batch], hand: Hand
) -> pd.DataFrame:
    """Sum up what each species comes to (see :class:`~.year.NurseryYear`)."""
    rows = []
    for name in names:
        mine = [batch.expected for batch in batches if batch.species == name]
        wanted, held = int(ordered.get(name, 0)), hand.stock.get(name, 0)
        if not wanted and not held:
            continue
        worst, expected, best = (held + sum(e[n] for e in mine) for n in range(3))
        rows.append(
            (
                name,
                wanted,
                held,
                *(int(n) for n in (worst, expected + 1e-6, best)),
                max(0, wanted - int(expected + 1e-6)),
            )
        )
    return pd.DataFrame(
        rows, columns=["species", "ordered", "on_hand", "worst", "expected", "best", "short"]
    )


def substitutes_of(
    inputs: Inputs,
    suitability: Suitability,
    layout: Layout,
    supply: pd.DataFrame,
    lowest_suitability: int,
) -> pd.DataFrame:
    """Find the species that fit best where each species is to stand, zone by zone."""
    columns = ["zone", "species", "substitute", "suitability", "spare"]
    names = inputs.species.facts["botanical_name"].to_numpy()
    rows, cols = inputs.grid.rows_cols(
        layout.trees.geometry.x.to_numpy(), layout.trees.geometry.y.to_numpy()
    )
    scores = suitability.on_grid(suitability.score)[:, rows, cols].astype(np.float64)
    inside = (scores != _NOT_SCORED).all(axis=0)
    zones, zone = np.unique(layout.trees["zone"].to_numpy().astype(str), return_inverse=True)
    place = zone * len(names) + layout.tree_species
    number = np.bincount(place[inside], minlength=len(zones) * len(names))
    sums = np.stack(
        [np.bincount(place[inside], s[inside], minlength=len(number)) for s in scores], axis=1
    )
    mean = sums / np.maximum(number, 1)[:, None]
    spare = (
        supply["on_hand"].where(supply["ordered"] == 0, supply["expected"]) - supply["ordered"]
    ).clip(lower=0)
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
    return pd.DataFrame(found, columns=columns)
