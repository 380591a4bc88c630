"""What is done when, and how: the words of the nursery's calendar and sheets."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from dateutil.rrule import MONTHLY, rrule

from siteplanner.base.text import count
from siteplanner.reading.species.seed_facts import SOW_FRESH
from siteplanner.season.nursery.batches import Batch
from siteplanner.season.nursery.handling import WOODY_CAPSULE, gathered, with_caution
from siteplanner.site.nursery import Nursery

#: Said with every nursery output.
CAUTIONS = (
    "Dates and losses are estimates from the species table and the site file. Use your nursery's "
    "own figures where you have them.",
    "Collect seed only with the owner's permission and any permit that is needed, and leave most "
    "of each tree's crop.",
    "Before you collect seed, check that each species is local and not a weed where you plant.",
)


_NOBODY = "nobody is known to give it: ask"


@dataclass(frozen=True)
class Task:
    """Something to do from ``start`` to ``end`` (the last day), one line a batch.

    ``batches`` names what it is done to: with the title, that is what it is known by when its
    days move. ``species`` has the botanical names, each once.
    """

    start: date
    end: date
    title: str
    lines: tuple[str, ...]
    batches: tuple[str, ...]
    species: tuple[str, ...] = ()


def tasks_of(batches: Iterable[Batch], rules: Nursery) -> list[Task]:
    """Gather what is to be done into tasks, those of the same kind and days in one.

    Batches without dates give none. Ordered by start, then by the year's order of work.
    """
    found: dict[tuple[date, int, date, str], list[tuple[str, str, str]]] = {}

    def add(rank: int, start: date | None, end: date | None, title: str, line: str) -> None:
        if start is not None and end is not None:
            found.setdefault((start, rank, end, title), []).append(
                (batch.batch, line, batch.species)
            )

    for batch in batches:
        days, name = batch.dates, f"{batch.species} ({batch.common_name}), {batch.batch}"
        if days is None:
            continue
        add(
            0,
            days.collect_from,
            days.collect_to,
            "Collect seed",
            f"{name}: {collecting(batch, rules)}",
        )
        treated = f"{name}: {with_caution(batch.handling.pretreatment)}"
        add(0, days.pretreat, days.pretreat, "Start the seed's pre-treatment", treated)
        add(1, days.sow, days.sow, "Sow", f"{name}: {sowing(batch)}")
        add(2, days.show, days.show, "Seedlings should be up: count them", name)
        if days.prick_out:
            tubes = f"{name}: {batch.order.tubes} tubes"
            add(3, days.prick_out, days.prick_out, "Prick out, and count", tubes)
        again = f"{name}: start pre-treatment of its seed by then" if days.pretreat else name
        add(4, days.resow_by, days.resow_by, "Last day to resow a failed batch", again)
        add(5, days.doubtful, days.doubtful, "Doubtful if nothing has come up", name)
        add(6, days.give_up, days.give_up, "Give up if nothing has come up", name)
        add(7, days.harden, days.harden, "Harden off: move into the open, water less", name)
        add(8, days.plant, days.plant_until, "Plant", f"{name}: {batch.raise_} plants")
        add(9, days.pot_bound, days.pot_bound, "Pot-bound from now on", name)
    return [
        Task(
            start,
            end,
            title,
            tuple(line for _, line, _ in lines),
            tuple(name for name, _, _ in lines),
            tuple(dict.fromkeys(species for _, _, species in lines)),
        )
        for (start, _, end, title), lines in sorted(found.items(), key=lambda item: item[0])
    ]


def amount(grams: float) -> str:
    """Say a weight of seed: ``1.3 kg``, ``24 g``, ``0.35 g``, or that it cannot be told.

    >>> amount(1251.0), amount(0.347), amount(float("nan"))
    ('1.3 kg', '0.35 g', 'weight unknown')
    """
    if grams != grams:
        return "weight unknown"
    if grams >= 1000:
        return f"{grams / 1000:.1f} kg"
    return f"{grams:.0f} g" if grams >= 10 else f"{grams:.2g} g"


def collecting(batch: Batch, rules: Nursery) -> str:
    """Say what to gather, how much, from whom, when it is ripe, and how the seed comes out."""
    seed, lot = batch.handling, batch.lot
    words = f"{amount(batch.order.grams)} of {seed.seed_weighed or 'seed'}"
    if seed.gather_unit and not math.isnan(seed.units):
        words += f", about {gathered(seed.units, seed.gather_unit)}"
    nobody = "gather or order what is missing" if seed.have_seed else _NOBODY
    said = [
        f"{words}, {lot.place}" if lot.place else f"{words}; {nobody}",
        f"permit: {lot.permit or 'not known: ask'}",
        f"from {rules.parents} mother trees where you can (common practice), at most "
        f"{rules.crop_share:.0%} of a tree's crop",
    ]
    if seed.have_seed:
        said.insert(0, "you have seed of it: weigh it, and sow a sample to see that it grows")
    if seed.dioecious == "yes":
        said.append("only female plants bear seed, and only near males")
    if seed.ripe_sign:
        said.append(f"ripe: {seed.ripe_sign}")
    if seed.extraction:
        said.append(with_caution(seed.extraction))
    elif seed.fruit.lower() == WOODY_CAPSULE:
        said.append("dry the capsules in paper bags until they open (common practice)")
    said.append(keeping(batch))
    return "; ".join([*said, seed.note] if seed.note else said)


def keeping(batch: Batch) -> str:
    """Say how the seed is kept until it is sown."""
    seed = batch.handling
    if not seed.storage:
        return "storage not known: ask"
    if seed.storage == SOW_FRESH:
        return "it does not keep: sow or treat it within a week"
    unknown = math.isnan(seed.storage_years)
    return f"store {seed.storage}" + ("" if unknown else f", {_span(seed.storage_years)} at most")


def _span(years: float) -> str:
    if years >= 1:
        return count(round(years), "year")
    return count(max(1, round(years * 52)), "week")


def sowing(batch: Batch) -> str:
    """Say how to sow; what the species table leaves open is common practice, and named."""
    seed = batch.handling
    treated = with_caution(seed.pretreatment) if seed.pretreatment else "not known: ask"
    words = [f"pre-treatment: {treated}"]
    if batch.into_tubes:
        words.append(
            f"{batch.order.seeds_in_a_tube} seeds in each of {batch.order.tubes} tubes; thin to one"
        )
    else:
        words.append(f"{amount(batch.order.grams)} on {count(batch.order.trays, 'tray')}")
    if batch.is_fine:
        words.append(
            "sow on the surface and do not cover, in mostly river sand with a little compost; "
            "under 50 % shade cloth, moist but not wet"
        )
    elif math.isnan(seed.sowing_depth_mm):
        words.append(
            "sowing depth not known: ask; usual is to cover with as much mix as the seed is thick; "
            "under shade, moist but not wet"
        )
    else:
        words.append(f"cover {seed.sowing_depth_mm:g} mm deep; under shade, moist but not wet")
    if seed.light in _LIGHT:
        words.append(_LIGHT[seed.light])
    if not math.isnan(seed.germination_c):
        words.append(f"the mix at about {seed.germination_c:g} °C")
    words += _moved(batch)
    if batch.assumed:
        words.append(f"assumed or not known: {', '.join(batch.assumed)}")
    return "; ".join(words)


_LIGHT = {"light": "it needs light to come up", "dark": "keep it dark until it comes up"}


def _moved(batch: Batch) -> list[str]:
    """Say why the day of sowing is not simply counted back from planting."""
    if batch.dates is None:
        return []
    said = []
    if batch.dates.moved_for_cold:
        said.append("moved here from a month that is too cold to sow")
    if batch.dates.moved_to_keep:
        said.append("sown so soon because the seed does not keep")
    if batch.dates.sown_cold:
        said.append("a cold month: keep the trays from frost")
    if batch.dates.resow_by is None:
        said.append("if it fails, it is too late to resow this season: raise spare plants")
    return said


def losses(batch: Batch, rules: Nursery) -> str:
    """Say what share comes through each step, with its range."""
    steps = [("germination", batch.germination)]
    if not batch.into_tubes:
        steps.append(("pricking out", rules.prick_out_survival))
    steps += [("in the tube", rules.tube_survival), ("after culling", rules.after_cull)]
    return "; ".join(
        f"{word} {middle:.0%} ({low:.0%} to {high:.0%})" for word, (low, middle, high) in steps
    )


def months_between(first: date, last: date) -> list[date]:
    """List the first days of all months from one date's to the other's."""
    return [day.date() for day in rrule(MONTHLY, dtstart=first.replace(day=1), until=last)]
