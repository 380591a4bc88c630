"""Lots: where a species' seed can be gathered, known seed sources grouped by their names."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import geopandas as gpd

from siteplanner.reading.species.seed_facts import months_of


@dataclass(frozen=True)
class Lot:
    """Where a batch's seed comes from; ``parents`` is the number of mother trees known."""

    place: str
    permit: str
    parents: int
    months: tuple[int, ...]


def lots_of(sources: gpd.GeoDataFrame, fruiting: tuple[int, ...], most: int) -> list[Lot]:
    """Group seed sources by name to at most ``most`` lots; those beyond are bulked into the last.

    Without any source there is one lot, its place still to be found. ``fruiting`` are the
    species' own fruiting months, used where a source says nothing.
    """
    if sources.empty:
        return [Lot("", "", 0, fruiting)]
    of_row = [_word(name) for name in sources["name"]]
    permits_of = [_word(one) for one in sources["permit"]] if "permit" in sources else []
    months_of_row = list(sources["fruiting_months"])
    names = list(dict.fromkeys(of_row))
    groups = [[name] for name in names[: most - 1]]
    groups += [names[most - 1 :]] if len(names) >= most else []
    lots = []
    for group in groups:
        mine = [row for row, name in enumerate(of_row) if name in group]
        permits = [permits_of[row] for row in mine] if permits_of else []
        months = _months(months_of_row[row] for row in mine)
        lots.append(
            Lot(
                place="; ".join(group),
                permit="; ".join(dict.fromkeys(p for p in permits if p)),
                parents=len(mine),
                months=months or fruiting,
            )
        )
    return lots


def _word(value: object) -> str:
    return "" if value is None or value != value else str(value).strip()


def _months(texts: Iterable[object]) -> tuple[int, ...]:
    found: list[int] = []
    for text in texts:
        try:
            found += months_of(text)
        except ValueError:
            continue  # what a source says unreadably is unknown; see unreadable_months
    return tuple(dict.fromkeys(found))


def unreadable_months(sources: gpd.GeoDataFrame) -> list[str]:
    """Names of the seed sources whose fruiting months cannot be read."""
    names = []
    for name, text in zip(sources["name"], sources["fruiting_months"], strict=True):
        try:
            months_of(text)
        except ValueError:
            names.append(_word(name))
    return names
