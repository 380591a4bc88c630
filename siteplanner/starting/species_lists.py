"""The starter lists of species that come with the package."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from siteplanner.base.errors import input_error, near

FOLDER = Path(__file__).parent / "lists"


@dataclass(frozen=True)
class StartingList:
    """A list: ``name`` to ask for it by, its ``heading``, number of ``species``, and file."""

    name: str
    heading: str
    species: int
    path: Path


def starting_lists() -> list[StartingList]:
    """All lists, in the order of their names."""
    found = []
    for path in sorted(FOLDER.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.reader(stream))
        found.append(StartingList(path.stem, rows[0][0].lstrip("# "), len(rows) - 2, path))
    return found


def copy_list(name: str, target: Path) -> StartingList:
    """Write a list to a new file, for a grower to edit; an existing file is left as it is.

    Raises :class:`~siteplanner.InputError`.
    """
    lists = {one.name: one for one in starting_lists()}
    if name not in lists:
        raise input_error(name, "", "no starter list has that name", near(name, lists))
    try:
        with target.open("xb") as stream:
            stream.write(lists[name].path.read_bytes())
    except FileExistsError:
        raise input_error(
            target, "", "it already exists and may contain your work", "choose another file name"
        ) from None
    except OSError as error:
        raise input_error(
            target,
            "",
            f"it cannot be written ({error.strerror})",
            "give a path in an existing folder",
        ) from None
    return lists[name]
