"""Whether another program holds a GeoPackage: one that writes it is left alone."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

#: Who only reads a file, as the process that plans does, is done with it within so many seconds.
PATIENCE_S = 3.0


class HeldError(Exception):
    """Another program holds the file; the words are the file's name."""


def refuse_held(path: Path) -> None:
    """Raise :class:`HeldError` where another program has a GeoPackage open to write it.

    What a program that is gone had committed beside the file is taken into it on the way.
    """
    if not path.exists():
        return
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=rw", PATIENCE_S, uri=True)) as file:
        try:
            # Alone with the file: in the mode that GIS write in, a mere lock is not enough.
            file.execute("PRAGMA locking_mode = EXCLUSIVE")
            file.execute("BEGIN EXCLUSIVE")
            file.rollback()
        except sqlite3.OperationalError as error:
            if "locked" in str(error) or "busy" in str(error):
                raise HeldError(path.name) from None
            raise
    journal = path.with_name(f"{path.name}-wal")
    if journal.is_file() and journal.stat().st_size:
        raise HeldError(path.name)


def open_in(path: Path) -> list[str]:
    """Name the other programs that have a file open, where the system tells (Linux).

    Until they read it again they show the file as it was.
    """
    mine, wanted = os.getpid(), str(path.resolve())
    found = set()
    for process in _processes():
        if process == mine or mine in _parents(process):
            continue
        with contextlib.suppress(OSError):
            for one in os.scandir(f"/proc/{process}/fd"):
                with contextlib.suppress(OSError):
                    if str(Path(one.path).readlink()) == wanted:
                        found.add(Path(f"/proc/{process}/comm").read_text("utf-8").strip())
    return sorted(found)


def _processes() -> Iterator[int]:
    with contextlib.suppress(OSError):
        yield from (int(one.name) for one in os.scandir("/proc") if one.name.isdecimal())


def _parents(process: int) -> Iterator[int]:
    """Numbers of the processes that started one, the nearest first."""
    with contextlib.suppress(OSError, ValueError, IndexError):
        while process > 1:
            stat = Path(f"/proc/{process}/stat").read_text("utf-8")
            process = int(stat.rpartition(")")[2].split()[1])
            yield process
