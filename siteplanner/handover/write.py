"""Writes all files of a plan, but for the layers and the manifest, into its folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from siteplanner.handover.writer import writers
from siteplanner.plan import Plan


def write_all(plan: Plan, folder: Path, step: Callable[[str], None]) -> None:
    """Have every writer write the files that people take away; ``step`` is told what comes next.

    Raises :class:`~siteplanner.InputError` naming the package of a writer that fails.
    """
    for title, write in writers():
        step(title)
        write(plan, folder)
