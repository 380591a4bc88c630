"""What the season needs of blocks: what has become of them, and where plants on hand may go."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pyogrio

from siteplanner.after.mark_blocks import known_blocks, mark_blocks
from siteplanner.after.place import Placed, place, stock_of
from siteplanner.base.errors import input_error
from siteplanner.desk.drawing.drawn import drawn_of
from siteplanner.desk.drawing.saving import replace_text, site_text
from siteplanner.reading.kept_blocks import SET_ASIDE, STATUSES
from siteplanner.reading.species.table import read_species
from siteplanner.site.edit import with_settings
from siteplanner.site.site_file import Site

#: The largest number of plants that anybody asks about.
_MOST = 10_000_000


def blocks_of(site: Site, plan: Path) -> dict[str, Any]:
    """List blocks with their status and trees, statuses, and species to ask about.

    Raises :class:`~siteplanner.InputError` where there are no blocks.
    """
    known = known_blocks(site, plan)
    trees = known.trees["block"].value_counts()
    rows = zip(known.blocks["block"], known.blocks["status"], known.blocks["until"], strict=True)
    facts = read_species(site.folder / site.species.file).facts
    return {
        "blocks": [
            {"block": name, "status": status, "until": int(until), "trees": int(trees.get(name, 0))}
            for name, status, until in sorted(rows, key=lambda row: _in_order(str(row[0])))
        ],
        "statuses": list(STATUSES),
        "set_aside": SET_ASIDE,
        "species": list(facts["botanical_name"]),
    }


def _in_order(name: str) -> tuple[str, int]:
    """Order A2 before A10."""
    letters = name.rstrip("0123456789")
    digits = name[len(letters) :]
    return letters, int(digits) if digits else 0


def mark(site: Site, plan: Path, asked: Mapping[str, Any]) -> None:
    """Write what has become of blocks. Raises :class:`~siteplanner.InputError`."""
    names, until = asked.get("names"), asked.get("until")
    if not isinstance(names, list) or not names:
        raise input_error(site.blocks_file, "", "no block is chosen", "tick one or more blocks")
    year = int(until) if isinstance(until, int | str) and str(until).isdecimal() else None
    mark_blocks(site, plan, str(asked.get("status")), [str(name) for name in names], year)


def take_zones(site: Site, plan: Path) -> None:
    """Copy a plan's zones, and the blocks that say how they were, into the site, to be edited.

    Raises :class:`~siteplanner.InputError` where there is no plan, or zones are there already.
    """
    drawn = drawn_of(site)["zones"]
    if drawn.there:
        raise input_error(
            site.path, "decisions.zones", "zones are drawn already", "edit those, or take them out"
        )
    source = plan / "plan.gpkg"
    if not source.is_file():
        raise input_error(source, "", "there is no plan yet", "plan first, then take its zones")
    beside = drawn.path.with_name(f".{drawn.path.stem}.new.gpkg")
    beside.unlink(missing_ok=True)
    try:
        for layer in ("zones", "blocks"):
            frame = pyogrio.read_dataframe(source, layer=layer)
            pyogrio.write_dataframe(frame, beside, layer=layer)
        text = with_settings(site.path, site_text(site), *drawn.setting)
        beside.replace(drawn.path)
        replace_text(site.path, text)
    finally:
        beside.unlink(missing_ok=True)


def where_to(site: Site, plan: Path, asked: Mapping[str, Any]) -> Placed:
    """Find rows for so many plants of a species; the plan stays as it is.

    Raises :class:`~siteplanner.InputError`.
    """
    text = str(asked.get("number"))
    if not (text.isdecimal() and 0 < int(text) <= _MOST):
        raise input_error("The number of plants", "", f"{text!r} is not valid", "write how many")
    return place(site, plan, stock_of(site, None, str(asked.get("species")), int(text)))
