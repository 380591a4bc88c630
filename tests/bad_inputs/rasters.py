"""Broken heights: one raster, tiles, a VRT."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from affine import Affine

from bad_inputs.good_site import SOUTH, WEST, CaseTable, change, write_dem

TABLE = CaseTable()


def heights() -> np.ndarray:
    """Good heights of the property, m."""
    rows, cols = np.mgrid[0:80, 0:80]
    return (300 + 0.4 * cols + 4 * np.sin(rows / 15)).astype(np.float32)


def dem(site: Path, values: np.ndarray | None = None, **more: object) -> None:
    """Write the DEM anew."""
    path = site.parent / "dem.tif"
    path.unlink()
    write_dem(path, heights() if values is None else values, **more)


@TABLE.refuse("dem.tif", "", "is empty", "save or copy it again")
def empty_dem(site):
    (site.parent / "dem.tif").write_bytes(b"")


@TABLE.refuse("dem.tif", "", "cannot be read as a raster", "save the DEM again")
def dem_cut_off_in_its_header(site):
    path = site.parent / "dem.tif"
    path.write_bytes(path.read_bytes()[:100])


@TABLE.refuse("dem.tif", "", "cannot be read as a raster", "save the DEM again")
def dem_cut_off_in_its_heights(site):
    path = site.parent / "dem.tif"
    path.write_bytes(path.read_bytes()[:9000])


@TABLE.refuse("dem.tif", "", "cannot be read as a raster", "save the DEM again")
def dem_that_is_a_table(site):
    (site.parent / "dem.tif").write_text("x,y,z\n1,2,3\n", encoding="utf-8")


@TABLE.refuse("land.gpkg", "", "cannot be read as a raster", "save the DEM again")
def dem_that_is_geodata(site):
    change(site, dem={"file": "land.gpkg"})


@TABLE.refuse("dem.tif", "", "it has 3 bands", "one band of heights")
def dem_that_is_a_photograph(site):
    dem(site, np.zeros((3, 80, 80), np.uint8) + 200, count=3)


@TABLE.refuse("dem.tif", "", "no coordinate reference system", "write dem.crs")
def dem_without_crs(site):
    dem(site, crs=None)


@TABLE.refuse("dem.tif", "", "not for the surface of the earth", "set the CRS")
def dem_of_the_moon(site):
    dem(site, crs="+proj=eqc +R=1737400 +units=m +type=crs")


@TABLE.refuse("dem.tif", "", "in different places", "CRS")
def dem_in_another_zone(site):
    dem(site, crs="EPSG:32750")


@TABLE.refuse("dem.tif", "", "degrees", "CRS")
def dem_in_degrees_called_metres(site):
    dem(site, transform=Affine(4e-5, 0, 148.4, 0, -4e-5, -42.0))


@TABLE.refuse("dem.tif", "", "degrees", "CRS")
def dem_in_metres_called_degrees(site):
    dem(site, crs="EPSG:4326")


@TABLE.refuse("dem.tif", "", "not georeferenced", "georeference")
def dem_without_a_place(site):
    dem(site, crs="EPSG:32756", transform=Affine.identity())


@TABLE.refuse("dem.tif", "", "rotated or upside down", "north up")
def dem_turned_by_ten_degrees(site):
    dem(site, transform=Affine.translation(WEST, SOUTH) @ Affine.rotation(10) @ Affine.scale(4, -4))


@TABLE.refuse("dem.tif", "", "rotated or upside down", "north up")
def dem_with_south_up(site):
    dem(site, transform=Affine(4, 0, WEST - 60, 0, 4, SOUTH - 60))


@TABLE.refuse("dem.tif", "", "does not cover the boundary", "covers the whole property")
def dem_of_no_numbers(site):
    dem(site, heights() * np.nan)


@TABLE.refuse("dem.tif", "", "does not cover the boundary", "covers the whole property")
def dem_of_infinite_heights(site):
    dem(site, heights() * np.inf)


@TABLE.refuse("dem.tif", "", "heights from", "dem.nodata")
def dem_of_huge_heights(site):
    dem(site, heights() * 1e30)


@TABLE.repair("-9999 on 160 cells")
def dem_whose_nodata_is_not_said(site):
    values = heights()
    values[:, 78:] = -9999
    dem(site, values)


@TABLE.refuse("dem.tif", "", "does not cover the boundary", 'nodata = "none"')
def dem_whose_nodata_is_not_said_and_lies_in_the_property(site):
    values = heights()
    values[:, 40:] = -9999
    dem(site, values)


@TABLE.refuse("dem.tif", "", "heights are complex", "save the DEM again")
def dem_of_complex_heights(site):
    dem(site, heights().astype(np.complex64))


@TABLE.refuse("dem.tif", "round", "has no heights", "largest_hole_m2")
def dem_with_a_large_hole(site):
    values = heights()
    values[35:50, 35:50] = np.nan
    dem(site, values)


@TABLE.repair("small holes")
def dem_with_a_small_hole(site):
    values = heights()
    values[40:42, 40:42] = np.nan
    dem(site, values)


@TABLE.repair("rounded to steps of 1 m")
def dem_of_whole_metres(site):
    dem(site, heights().round())


@TABLE.repair("converted from feet to metres")
def dem_in_feet(site):
    change(site, dem={"heights_in": "ft"})


@TABLE.repair("averaged by area")
def dem_finer_than_the_cell(site):
    change(site, dem={"cell_m": 8.0})


@TABLE.repair("reaches only")
def dem_that_ends_at_the_fence(site):
    change(site, dem={"margin_m": 400.0})


@TABLE.refuse("tiles", "", "has no raster", "put tiles")
def folder_without_tiles(site):
    (site.parent / "tiles").mkdir()
    change(site, dem={"file": "tiles"})


@TABLE.refuse("tiles/b.tif", "", "cannot be read as a raster", "save the DEM again")
def one_tile_broken(site):
    folder = site.parent / "tiles"
    folder.mkdir()
    (site.parent / "dem.tif").rename(folder / "a.tif")
    (folder / "b.tif").write_bytes(b"II*\x00 nothing more")
    change(site, dem={"file": "tiles"})


@TABLE.refuse("gone.tif", "", "this file does not exist", "check the path")
def tile_that_is_not_there(site):
    change(site, dem={"file": ["dem.tif", "gone.tif"]})


@TABLE.refuse("dem.vrt", "", "cannot be read as a raster", "save the DEM again")
def vrt_cut_off(site):
    (site.parent / "dem.vrt").write_text('<VRTDataset rasterXSize="80"', encoding="utf-8")
    change(site, dem={"file": "dem.vrt"})


def _vrt(site: Path, source: str) -> None:
    (site.parent / "dem.vrt").write_text(
        f'<VRTDataset rasterXSize="80" rasterYSize="80"><SRS>EPSG:32756</SRS><GeoTransform>'
        f"{WEST - 60}, 4, 0, {SOUTH + 260}, 0, -4</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename>'
        f"{source}</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand>"
        "</VRTDataset>",
        encoding="utf-8",
    )
    change(site, dem={"file": "dem.vrt"})


@TABLE.refuse("dem.vrt", "", "cannot be read as a raster", "save the DEM again")
def vrt_of_a_file_that_is_gone(site):
    _vrt(site, str(site.parent / "gone.tif"))


@TABLE.refuse("dem.vrt", "", "cannot be read as a raster", "save the DEM again")
def vrt_of_itself(site):
    _vrt(site, str(site.parent / "dem.vrt"))


@TABLE.refuse("dem.vrt", "", "over the network", "to this computer")
def vrt_that_fetches(site):
    _vrt(site, "/vsicurl/http://127.0.0.1:9/dem.tif")


@TABLE.refuse("dem.tif", "", "900 million cells", "larger cells")
def dem_of_nine_hundred_million_cells(site):
    (site.parent / "dem.tif").unlink()
    (site.parent / "dem.tif").write_text(
        '<VRTDataset rasterXSize="30000" rasterYSize="30000"><SRS>EPSG:32756</SRS><GeoTransform>'
        f"{WEST - 60}, 0.01, 0, {SOUTH + 260}, 0, -0.01</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"/></VRTDataset>',
        encoding="utf-8",
    )
