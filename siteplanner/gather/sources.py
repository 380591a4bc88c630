"""Keeps ``sources.csv``: what lies in a site's folder, where it is from, and whether it changed."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, dataclass
from hashlib import file_digest
from pathlib import Path
from typing import Any

import pandas as pd

from siteplanner.base.errors import input_error
from siteplanner.base.tables import write_table
from siteplanner.gather.found import Found
from siteplanner.reading.files.cells import read_cells
from siteplanner.reading.files.sources import COLUMNS, Source
from siteplanner.site.commented import quoted

NAME = "sources.csv"
_PART = ".gathering-"


@dataclass(frozen=True)
class Sources:
    """The table in a folder. Rows and columns that somebody else added stay as they are."""

    folder: Path

    @property
    def path(self) -> Path:
        """Where the table is, whether or not it is there."""
        return self.folder / NAME

    def rows(self) -> list[Source]:
        """All rows, none without a table. Raises :class:`~siteplanner.InputError`."""
        frame = self._frame()
        return [Source(**row) for row in frame[list(COLUMNS)].to_dict("records")]

    def of_file(self, name: str) -> Source | None:
        """The row of a file, None where there is none."""
        return next((row for row in self.rows() if row.file == name), None)

    def is_ours(self, name: str) -> bool:
        """Whether a file is there just as it was written."""
        row, path = self.of_file(name), self.folder / name
        return row is not None and path.is_file() and digest(path) == row.sha256

    def put(self, what: str, name: str, found: Found) -> None:
        """Write what was found into a file that does not exist yet, and its row before it.

        A run that is stopped between the two leaves a row without a file, which the next run
        writes; never a file of ours that looks like somebody's own.
        """
        with tempfile.TemporaryDirectory(dir=self.folder, prefix=_PART) as holder:
            made = Path(holder) / name
            found.write(made)
            own = found.service
            self.note(
                Source(
                    what,
                    name,
                    own.service,
                    found.address,
                    found.on,
                    own.licence,
                    own.credit,
                    found.cell or own.cell,
                    found.how_sure,
                    found.better,
                    "; ".join(f"{k} = {quoted(v)}" for k, v in found.settings.items()),
                    digest(made),
                )
            )
            if (self.folder / name).exists():  # it has appeared meanwhile
                raise input_error(
                    self.folder / name, "", "it was written by somebody else", "run again"
                )
            made.rename(self.folder / name)

    def note(self, row: Source) -> None:
        """Put a row into the table, in place of the one of the same file."""
        frame = self._frame()
        told: dict[str, Any] = dict.fromkeys(frame.columns, "") | asdict(row)
        kept = frame[frame["file"] != row.file]
        both = pd.concat([kept, pd.DataFrame([told])], ignore_index=True)
        with tempfile.TemporaryDirectory(dir=self.folder, prefix=_PART) as holder:
            made = Path(holder) / NAME
            write_table(made, both)
            made.replace(self.path)

    def tidy(self) -> None:
        """Remove what runs that were killed left half written."""
        for holder in self.folder.glob(f"{_PART}*"):
            for file in holder.glob("*"):
                file.unlink(missing_ok=True)
            holder.rmdir()

    def _frame(self) -> pd.DataFrame:
        if not self.path.exists():
            return pd.DataFrame(columns=list(COLUMNS), dtype=object)
        frame = read_cells(self.path, ("what", "file"))
        for name in COLUMNS:
            if name not in frame:
                frame[name] = ""
        return frame


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as stream:
        return file_digest(stream, "sha256").hexdigest()
