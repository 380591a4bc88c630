"""The plan's trees as the page shows them on the map that is drawn on."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from siteplanner.base.symbology.colours import species_colours
from siteplanner.reading.published import read_published
from siteplanner.reading.species.table import read_species
from siteplanner.site.site_file import Site


def shown_trees(xy: NDArray[np.float64], kind: NDArray[np.int64]) -> dict[str, Any]:
    """Give trees in the colours of the plan's map, as values that JSON can hold.

    ``xy`` (trees, 2) are map coordinates, m; ``kind`` (trees,) is the place of each one's species
    in the species table. ``origin`` is the place that ``at`` counts from: east and north (m) of
    each tree of a ``colour``, base64 of little-endian float32.
    """
    origin = np.floor(xy.min(axis=0)) if len(xy) else np.zeros(2)
    away = (xy - origin).astype("<f4")
    colours = np.array(species_colours(int(kind.max()) + 1 if len(kind) else 0))
    groups = [
        (str(colour), away[np.isin(kind, np.flatnonzero(colours == colour))])
        for colour in dict.fromkeys(colours)
    ]
    return {
        "origin": origin.tolist(),
        "trees": [
            {"colour": colour, "at": base64.b64encode(at.tobytes()).decode("ascii")}
            for colour, at in groups
            if len(at)
        ],
    }


def trees_of_plan(site: Site, plan: Path, crs: pyproj.CRS) -> dict[str, Any]:
    """Give the trees of the plan in a folder, in ``crs``.

    Raises :class:`~siteplanner.InputError` where they or the species table cannot be read.
    """
    trees = read_published(plan).features("trees", ("species",)).to_crs(crs)
    facts = read_species(site.folder / site.species.file).facts
    kind = facts["botanical_name"].tolist()
    known = trees[trees["species"].isin(kind)]
    xy = shapely.get_coordinates(known.geometry.to_numpy())
    return shown_trees(xy, known["species"].map(kind.index).to_numpy(dtype=np.int64))
