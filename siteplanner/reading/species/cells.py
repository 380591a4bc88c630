"""Reads cells of a species table that hold a number in bounds or one of a few words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from siteplanner.base.errors import Errors, near


def numbers_of(
    path: Path, raw: pd.DataFrame, bounds: Mapping[str, tuple[float, float]], errors: Errors
) -> dict[str, pd.Series[float]]:
    """Read numeric columns; NaN where a cell is empty or the table has no such column.

    ``raw`` holds cells as text, with a column ``botanical_name``; ``bounds`` gives the least and
    greatest value that can be. What is outside is added to ``errors``.
    """
    found = {}
    for column, (low, high) in bounds.items():
        if column not in raw:
            found[column] = pd.Series(np.nan, raw.index)
            continue
        cells = raw[column].to_numpy(dtype=object)
        numbers = pd.to_numeric(cells, errors="coerce").astype(np.float64)
        for row in np.flatnonzero((cells != "") & ~((numbers >= low) & (numbers <= high))):
            errors.add(
                path,
                f"{raw['botanical_name'].iloc[row]}, {column}",
                f"{cells[row]!r} is not valid",
                f"write a number from {low:g} to {high:g}, or leave it empty when unknown",
            )
        found[column] = pd.Series(numbers, raw.index)
    return found


def words_of(
    path: Path, raw: pd.DataFrame, choices: Mapping[str, Sequence[str]], errors: Errors
) -> dict[str, pd.Series[str]]:
    """Read columns that hold one of a few words; "" is unknown. Others go to ``errors``."""
    blank = pd.Series("", index=raw.index)
    found = {}
    for column, words in choices.items():
        cells = found[column] = raw.get(column, blank)
        if cells is blank:
            continue
        for name, cell in zip(raw["botanical_name"], cells, strict=True):
            if cell and cell not in words:
                errors.add(
                    path,
                    f"{name}, {column}",
                    f"{cell!r} is not valid",
                    f"{near(cell, words)}; leave it empty when unknown",
                )
    return found
