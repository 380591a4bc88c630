"""Finds real data that are kept beside the project and may not be copied into it."""

from __future__ import annotations

from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "shared" / "data"


def shared(name: str) -> Path:
    """Path of a file of the shared data; skips the test where it is absent."""
    path = FOLDER / name
    if not path.exists():
        pytest.skip(f"shared data: {name} is not on this machine")
    return path
