"""Damage seen in the blocks, noted on the page: lines of the site's own damage.csv.

The reader of such tables says what is wrong; what it means for the orders goes to ``survival``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from siteplanner.after.damage import ACTIONS, DAMAGE_CAUSES, DAMAGE_FORM
from siteplanner.after.survival_round import survival_of, write_outcome
from siteplanner.base.errors import ErrorDetail, InputError
from siteplanner.base.tables import write_table
from siteplanner.desk.drawing.before import keep
from siteplanner.desk.drawing.features import WrongError
from siteplanner.desk.drawing.saving import in_place
from siteplanner.reading.files.cells import read_cells
from siteplanner.site.site_file import Site

Line = dict[str, str]


def damage_of(site: Site) -> dict[str, Any]:
    """Give the lines that are noted, and the words to choose from.

    Raises :class:`~siteplanner.InputError` where the table cannot be read.
    """
    return {
        "file": _path(site).name,
        "lines": _lines(site),
        "causes": list(DAMAGE_CAUSES),
        "actions": list(ACTIONS),
    }


def note(site: Site, plan: Path, asked: Mapping[str, Any]) -> dict[str, Any]:
    """Note a line of damage (``line``, by column), or take one out (``out``, its number).

    Gives the lines, and what they mean in words (``said``). Raises
    :class:`~siteplanner.desk.drawing.features.WrongError` with what the reader refuses, each with
    its column, or :class:`~siteplanner.InputError`; then nothing has changed.
    """
    lines, out = _lines(site), asked.get("out")
    if isinstance(out, int) and 0 <= out < len(lines):
        del lines[out]
    else:
        given = asked.get("line")
        given = given if isinstance(given, Mapping) else {}
        lines.append({c: str(given.get(c) or "").strip()[:500] for c in DAMAGE_FORM})
    path = _path(site)
    beside = path.with_name(f".{path.name}.new.csv")
    write_table(beside, pd.DataFrame(lines, columns=list(DAMAGE_FORM), dtype=str))
    try:
        said = _judged(site, plan, beside) if lines else []
        keep(path)
        in_place(beside, path)
    except InputError as error:
        raise WrongError(*(
            (None, _column(one), str(one).replace(str(beside), path.name)) for one in error.errors
        )) from None  # fmt: skip
    finally:
        beside.unlink(missing_ok=True)
    return {**damage_of(site), "said": said}


def _judged(site: Site, plan: Path, table: Path) -> Sequence[str]:
    """Judge the damage and write what to order; say it in words."""
    outcome = survival_of(site, (), plan, (), [table])
    folder = site.folder / "survival" / site.slug
    write_outcome(outcome, folder)
    ordered = folder.relative_to(site.folder).as_posix()
    return [*outcome.findings, f"Written to {ordered}: infill.csv is what to order."]


def _column(error: ErrorDetail) -> str:
    """The field that an error is about."""
    last = error.where.rpartition(", ")[2]
    if last in DAMAGE_FORM:
        return last
    if "row" in error.what:
        return "rows"
    return "species" if "was planted there" in error.what else "block"


def _lines(site: Site) -> list[Line]:
    path = _path(site)
    if not path.is_file():
        return []
    cells = read_cells(path, ["block"]).reindex(columns=list(DAMAGE_FORM), fill_value="")
    return [{str(k): str(v) for k, v in row.items()} for row in cells.to_dict("records")]


def _path(site: Site) -> Path:
    return site.folder / "damage.csv"
