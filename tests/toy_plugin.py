"""A tiny third-party package with one layer, made as a folder that pip installs."""

from __future__ import annotations

from pathlib import Path

PYPROJECT = """
[build-system]
requires = ["setuptools"]
build-backend = "setuptools.build_meta"

[project]
name = "salt-spray"
version = "1.0"

[project.entry-points."siteplanner.layers"]
salt = "salt_spray"

[tool.setuptools]
py-modules = ["salt_spray"]
"""
MODULE = '''
"""Salt carried by the wind from the east, for trying out the layer plugins."""

import numpy as np

from siteplanner import CELL, LayerInfo, layer


@layer(
    LayerInfo(
        title="Salt spray from the east",
        unit="index 0-100",
        method="Falls off with distance from the eastern edge",
        source="invented for a test",
        valid=(0, 100),
        colours="YlOrBr_09",
        on_map=True,
    ),
    reach=CELL,
)
def salt_spray(dem, grid, *, edge=100.0):
    """Salt (0-100): most at the eastern edge of the grid."""
    across = np.linspace(0, edge, grid.shape[1], dtype=np.float32)
    return np.where(np.isnan(dem), np.float32(np.nan), across[None, :]).astype(np.float32)
'''


def make(folder: Path) -> Path:
    """Write the package's files and return the folder to install."""
    (folder / "pyproject.toml").write_text(PYPROJECT)
    (folder / "salt_spray.py").write_text(MODULE)
    return folder
