"""Reads a published plan back from its folder: the one reader for all that comes after a plan.

The folder may come from anyone: the manifest is held to its form, its paths to the folder.
"""

from __future__ import annotations

import json
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from siteplanner.base.errors import input_error
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.base.text import visible
from siteplanner.reading.files.cells import read_cells
from siteplanner.reading.files.opening import own_layer

_LARGEST = 64 * 2**20
_AGAIN = "run siteplanner plan again"


@dataclass(frozen=True)
class Published:
    """A plan in its folder: ``manifest`` is its ``plan.json``, tables are read when asked for."""

    folder: Path
    manifest: dict[str, Any]

    def features(self, layer: str, columns: Sequence[str] = ()) -> gpd.GeoDataFrame:
        """Read a layer of ``plan.gpkg``, in the plan's own CRS, which has these ``columns``.

        Raises :class:`~siteplanner.InputError` where it is not there or cannot be read.
        """
        path = self.folder / "plan.gpkg"
        if not path.is_file():
            raise input_error(
                self.folder, "", "plan.gpkg is missing, so this is not a plan", _AGAIN
            )
        return own_layer(path, layer, columns, _AGAIN)

    def table(self, name: str, columns: Sequence[str]) -> pd.DataFrame:
        """Read a CSV of the plan as text; one that the plan did not need is empty.

        Raises :class:`~siteplanner.InputError` for a table without one of ``columns``.
        """
        path = self.folder / name
        if not path.exists():
            return pd.DataFrame({column: pd.Series(dtype=str) for column in columns})
        return read_cells(path, list(columns))


def read_published(folder: Path) -> Published:
    """Open a plan's folder.

    Raises :class:`~siteplanner.InputError` when it holds no plan, or none that can be trusted.
    """
    return Published(folder, understood(folder / MANIFEST, manifest_bytes(folder)))


def whole_numbers(path: Path, frame: pd.DataFrame, column: str) -> pd.Series[int]:
    """Take a column of texts as whole numbers.

    Raises :class:`~siteplanner.InputError` naming the first row that holds none.
    """
    numbers = pd.to_numeric(frame[column], errors="coerce")
    for row in frame.index[~((numbers == numbers.round()) & (numbers.abs() < 1e15))]:
        raise input_error(
            path,
            f"row {row + 2}, {column}",
            f"{frame[column][row]!r} is not a whole number",
            _AGAIN,
        )
    return numbers.astype("int64")


def manifest_bytes(folder: Path) -> bytes:
    """Read a plan's manifest as it is; :class:`~siteplanner.InputError` where there is none."""
    path = folder / MANIFEST
    try:
        if not stat.S_ISREG(path.lstat().st_mode):
            raise input_error(path, "", "this is not a regular file", _AGAIN)
        if path.stat().st_size > _LARGEST:
            raise input_error(path, "", "it is too large for a plan's manifest", _AGAIN)
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        what = f"{MANIFEST} is missing, so this is not a plan"
        raise input_error(folder, "", what, "give the folder of a plan") from None
    except OSError as error:
        what = f"it cannot be read ({error.strerror})"
        raise input_error(path, "", what, "get permission to read it") from None


def understood(path: Path, raw: bytes) -> dict[str, Any]:
    """Hold the manifest to its form: what is used later has the right type and safe paths.

    Raises :class:`~siteplanner.InputError`.
    """
    try:
        content = json.loads(raw)
    except (ValueError, RecursionError):
        raise input_error(path, "", "it is not valid JSON", _AGAIN) from None
    if not isinstance(content, dict):
        raise input_error(path, "", "it is not the manifest of a plan", _AGAIN)
    for part in ("files", "inputs", "versions"):
        if not isinstance(content.get(part), dict):
            raise input_error(path, part, "this table is missing", _AGAIN)
    if "siteplanner" not in content["versions"]:
        raise input_error(
            path, "versions", "it was not made by siteplanner", "give the folder of a plan"
        )
    for name, entry in content["files"].items():
        if not _inside(name):
            raise input_error(
                path, f"files, {short(name)}", "the path leads out of the plan's folder",
                "do not trust this plan; " + _AGAIN,
            )  # fmt: skip
        if not (
            isinstance(entry, dict)
            and type(entry.get("bytes")) is int
            and entry["bytes"] >= 0
            and _is_digest(entry.get("sha256"))
        ):
            raise input_error(
                path,
                f"files, {short(name)}",
                "the size or the SHA-256 checksum is not valid",
                _AGAIN,
            )
    for name, value in content["inputs"].items():
        if not _is_digest(value):
            raise input_error(
                path, f"inputs, {short(name)}", "this is not a SHA-256 checksum", _AGAIN
            )
    return content


def _is_digest(value: object) -> bool:
    return isinstance(value, str) and re.fullmatch("[0-9a-f]{64}", value) is not None


def _inside(name: str) -> bool:
    """Tell whether a path of the manifest stays in the folder, on any system."""
    parts = name.split("/")
    return not any(part in ("", ".", "..") or re.search(r"[\x00-\x1f\\:]", part) for part in parts)


def short(name: str) -> str:
    """Tame a name that the manifest gives: printable, and not long."""
    shown = visible(name)
    return shown if len(shown) <= 100 else f"{shown[:99]}…"
