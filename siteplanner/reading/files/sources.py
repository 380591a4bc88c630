"""Reads where a site's files are from, and the words that their licences ask to be printed."""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass, fields
from pathlib import Path

from siteplanner.reading.files.cells import read_cells
from siteplanner.site.site_file import Site


@dataclass(frozen=True)
class Source:
    """A row of ``sources.csv``, all text, any of it may be empty but ``what`` and ``file``.

    ``file`` is relative to the table; ``credit`` the words to print; ``better`` what would improve
    on it; ``site_file`` the settings of the site file that go with it; ``sha256`` is of the file
    as it was written.
    """

    what: str
    file: str
    service: str = ""
    address: str = ""
    date: str = ""
    licence: str = ""
    credit: str = ""
    cell: str = ""
    how_sure: str = ""
    better: str = ""
    site_file: str = ""
    sha256: str = ""

    @property
    def share_alike(self) -> bool:
        """Whether whoever passes the data on does so under the same licence."""
        return "share alike" in self.licence.lower()


COLUMNS = tuple(one.name for one in fields(Source))


def read_sources(path: Path) -> list[Source]:
    """Read the table; only ``what`` and ``file`` must be there. Other columns are left alone.

    Raises :class:`~siteplanner.InputError`.
    """
    frame = read_cells(path, ("what", "file"))
    known = [name for name in COLUMNS if name in frame]
    return [Source(**row) for row in frame[known].to_dict("records")]


def sources_of(site: Site, used: Collection[str]) -> tuple[Source, ...]:
    """Sources of the files that a site uses (``used``, relative to the site file)."""
    if site.site.sources is None:
        return ()
    path = site.folder / site.site.sources
    inside = {os.path.normpath(name) for name in used}
    found = []
    for one in read_sources(path):
        here = os.path.relpath(path.parent / one.file, site.folder) if one.file else ""
        if os.path.normpath(here) in inside or not one.file:
            found.append(one)
    return tuple(found)
