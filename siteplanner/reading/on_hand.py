"""What is there of each species: plants on hand and what counted batches come to, each once."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pandas as pd

from siteplanner.reading.nursery_counts import STAGES, Hand
from siteplanner.site.nursery import Nursery

#: Ends a batch's number, before its lot, where its plants are to take the place of dead ones.
INFILL = "F"


def come_through(
    count: float, stage: str, rules: Nursery, tubes: float = math.inf
) -> tuple[float, float, float]:
    """Plants to expect (worst, expected, best) of a ``count`` germinated, pricked out, plantable.

    No more seedlings are pricked out than there are ``tubes``.
    """
    steps = {
        "germinated": (rules.tube_survival, rules.after_cull),
        "pricked out": (rules.tube_survival, rules.after_cull),
        "plantable": (),
    }[stage]
    start = [float(count)] * 3
    if stage == "germinated":
        start = [min(count * share, tubes) for share in rules.prick_out_survival]
    low, middle, high = (start[n] * math.prod(step[n] for step in steps) for n in range(3))
    return low, middle, high


def sown_into_tubes(facts: Mapping[str, float]) -> bool:
    """Whether a species (a row of its table) is sown straight into tubes: never pricked out."""
    return math.isnan(facts["weeks_to_prick_out"]) and not math.isnan(facts["weeks_to_germinate"])


def species_of_batch(batch: str, codes: Mapping[str, str]) -> str | None:
    """Name the species whose code a batch's begins with, None where no batch can be called so.

    ``codes`` gives a species' name by its code.

    >>> species_of_batch("EUCROD-A1-2", {"EUCROD": "Eucalyptus rodwayi"})
    'Eucalyptus rodwayi'
    """
    fits = [code for code in codes if batch.startswith(f"{code}-")]
    return codes[max(fits, key=len)] if fits else None


def latest_counts(hand: Hand) -> tuple[dict[str, tuple[str, int]], list[str]]:
    """Give the count to go by of each batch, stage and number; and say which was taken.

    A later stage counts above an earlier one, a later row above an earlier row. Plants on hand
    that name their batch are the batch's plantable ones and never count beside them.
    """
    latest: dict[str, tuple[str, int]] = {}
    order = {stage: place for place, stage in enumerate(STAGES)}
    for row in hand.counts.itertuples(index=False):
        if order[row.stage] >= order[latest.get(row.batch, (STAGES[0], 0))[0]]:
            latest[row.batch] = (row.stage, row.count)
    said = []
    for batch, plants in hand.of_batches.groupby("batch", sort=False)["plants"].sum().items():
        stage, count = latest.get(str(batch), ("", 0))
        if stage == STAGES[-1]:
            said.append(
                f"Batch {batch}: {count} plantable were counted and {plants} are on hand. They "
                "are the same plants: the count is taken."
            )
            continue
        if stage:
            said.append(
                f"Batch {batch}: {count} {stage} were counted and {plants} plants are on hand. "
                "They are the same plants: those on hand are taken."
            )
        latest[str(batch)] = (STAGES[-1], int(plants))
    return latest, said


def plants_there(hand: Hand, facts: pd.DataFrame, rules: Nursery) -> dict[str, int]:
    """Plants to reckon with now, by botanical name: on hand, and expected of counted batches.

    ``facts`` has ``botanical_name, code, weeks_to_germinate, weeks_to_prick_out``. A batch that
    was not counted gives none, nor does one of infill: that waits for deaths.
    """
    there: dict[str, float] = {name: float(plants) for name, plants in hand.stock.items()}
    by_name = facts.set_index("botanical_name")
    codes = dict(zip(facts["code"], facts["botanical_name"], strict=True))
    written = dict(zip(hand.counts["batch"], hand.counts["species"], strict=True))
    for batch, (stage, count) in latest_counts(hand)[0].items():
        name = species_of_batch(batch, codes) or written.get(batch, "")
        infill = batch.removeprefix(f"{by_name['code'].get(name, '')}-").split("-")[0]
        if name in by_name.index and not infill.endswith(INFILL):
            into_tubes = sown_into_tubes(by_name.loc[name])
            came = came_of(count, stage, rules, into_tubes)[1]
            there[name] = there.get(name, 0.0) + came
    return {name: int(plants + 1e-6) for name, plants in there.items()}


def came_of(
    count: int, stage: str, rules: Nursery, into_tubes: bool, tubes: float = math.inf
) -> tuple[float, float, float]:
    """Plants to expect of a batch's count; what is sown into tubes is never pricked out."""
    if into_tubes and stage == "germinated":
        stage = "pricked out"
    return come_through(count, stage, rules, tubes)
