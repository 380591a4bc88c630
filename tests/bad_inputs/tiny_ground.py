"""Tiny and thin ground: planned, or refused in words, or named where nothing is planted."""

from __future__ import annotations

import numpy as np
import shapely
from affine import Affine

from bad_inputs.good_site import SOUTH, SQUARE, WEST, CaseTable, at, change, write_dem
from bad_inputs.vectors import fields, outline

TABLE = CaseTable()


def property_of(site, width: float, height: float) -> None:
    """Give the site a rectangle of metres as its boundary and its only paddock."""
    land = shapely.box(*at(63, 63).coords[0], *at(63 + width, 63 + height).coords[0])
    outline(site, land)
    fields(site, [land], ["All"], [1])


def coarse_dem(site) -> None:
    """Give the site a DEM of cells of 85 m."""
    heights = np.float32(300 + 0.5 * np.arange(144).reshape(12, 12))
    place = Affine(85, 0, WEST - 500, 0, -85, SOUTH + 540)
    write_dem(site.parent / "dem.tif", heights, transform=place)


@TABLE.repair("so nothing is planted there: paddock Corner (0.2 m²)", "of which 2 to plant")
def paddock_smaller_than_a_cell_beside_another(site):
    corner = shapely.box(*at(0, 0).coords[0], *at(0.5, 0.5).coords[0])
    fields(site, [SQUARE.buffer(-30), corner], ["All", "Corner"], [1, 1])


@TABLE.refuse("fields.gpkg", "", "holds the middle of no cell of 4 m", "dem.cell_m")
def paddock_smaller_than_a_cell_alone(site):
    fields(site, [at(100, 100).buffer(0.5)], ["All"], [1])


@TABLE.refuse("fields.gpkg", "", "(70.0 m²) holds the middle of no cell of 4 m", "finer DEM")
def property_half_a_metre_wide(site):
    property_of(site, 140, 0.5)


@TABLE.refuse("fields.gpkg", "", "(400.0 m²) holds the middle of no cell of 25 m", "dem.cell_m")
def property_of_20_m_on_a_coarse_dem(site):
    coarse_dem(site)
    property_of(site, 20, 20)


@TABLE.repair("were resampled to the planning cell of 4 m", "boundary: 0.04 ha")
def property_of_20_m_on_a_coarse_dem_with_smaller_cells(site):
    coarse_dem(site)
    property_of(site, 20, 20)
    change(site, dem={"cell_m": 4.0})


@TABLE.take("heights:", "boundary: 0.04 ha")
def property_of_20_m(site):
    property_of(site, 20, 20)
