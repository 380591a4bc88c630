"""The hillshade that is drawn on."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from PIL import Image

from siteplanner.ground.relief.terrain import hillshade, slope_and_aspect
from siteplanner.reading.dem import read_dem
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.reading.inputs import read_boundary
from siteplanner.site.site_file import Site


@dataclass(frozen=True)
class Relief:
    """A picture (PNG) and where it lies: west, south, east, north in the working CRS."""

    picture: bytes
    extent: tuple[float, float, float, float]


def relief(site: Site) -> Relief:
    """Draw the hillshade of a site's ground. Raises :class:`~siteplanner.InputError`."""
    notes: list[str] = []
    crs = working_crs(site, notes)
    heights = read_dem(site, crs, read_boundary(site, crs, notes).union_all())
    slope, aspect = slope_and_aspect(heights.dem, heights.grid)
    light = hillshade(slope, aspect)
    known = np.isfinite(light)
    grey = np.where(known, 96 + light * 0.62, 255).astype(np.uint8)
    alpha = np.where(known, 255, 0).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(np.dstack([grey, alpha]), "LA").save(out, "PNG")
    return Relief(out.getvalue(), heights.grid.bounds)
