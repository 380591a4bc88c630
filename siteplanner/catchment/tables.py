"""The catchment's tables as CSV."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from siteplanner.handover.tables.nursery import write_csv


def write_frame(frame: pd.DataFrame, path: Path) -> None:
    """Write a table: numbers to six decimals at most, unknown ones empty, no formulas."""
    columns = [
        [_number(value) for value in frame[name]]
        if pd.api.types.is_float_dtype(frame[name])
        else frame[name].tolist()
        for name in frame.columns
    ]
    write_csv(path, list(frame.columns), list(zip(*columns, strict=True)))


def _number(value: float) -> str | None:
    if value != value:
        return None
    return f"{value:.6f}".rstrip("0").rstrip(".")
