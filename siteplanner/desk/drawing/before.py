"""Keeps a file as it was before each change, in ``.before`` beside it, and puts it back."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from siteplanner.base.errors import input_error

#: So many earlier versions of a file are kept.
KEPT = 50
_FOLDER = ".before"


@dataclass(frozen=True)
class Earlier:
    """An earlier version of a file: its number, when it was last changed (s, epoch), its path."""

    number: int
    changed: float
    path: Path


def earlier(path: Path) -> list[Earlier]:
    """List the earlier versions of a file, the newest first."""
    name = re.compile(rf"{re.escape(path.stem)}\.(\d{{5}}){re.escape(path.suffix)}")
    folder = path.parent / _FOLDER
    there = folder.iterdir() if folder.is_dir() else ()
    found = [(int(match[1]), one) for one in there if (match := name.fullmatch(one.name))]
    return [Earlier(n, one.stat().st_mtime, one) for n, one in sorted(found, reverse=True)]


def keep(path: Path) -> None:
    """Keep a file as it is now, under the next number; the oldest versions go."""
    if not path.exists():
        return
    there = earlier(path)
    number = there[0].number + 1 if there else 1
    folder = path.parent / _FOLDER
    folder.mkdir(exist_ok=True)
    kept = folder / f"{path.stem}.{number:05d}{path.suffix}"
    try:
        os.link(path, kept)
    except OSError:  # a disk without links: a half copy must not be taken for a version
        beside = kept.with_name(f".{kept.name}.new")
        shutil.copy2(path, beside)
        beside.replace(kept)
    for one in there[KEPT - 1 :]:
        one.path.unlink(missing_ok=True)


def put_back(path: Path, number: int, check: Callable[[Path], None]) -> None:
    """Put an earlier version of a file in its place; the present one is kept as the others are.

    ``check`` is given the version's copy beside the file and raises where it cannot be used.
    Raises :class:`~siteplanner.InputError` for a number that there is not.
    """
    found = [one for one in earlier(path) if one.number == number]
    if not found:
        raise input_error(path, "", "this earlier version is gone", "choose another one")
    beside = path.with_name(f".{path.stem}.new{path.suffix}")
    try:
        shutil.copy2(found[0].path, beside)
        check(beside)
        keep(path)
        os.utime(beside)  # what goes by the day of a file sees that it has changed
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
