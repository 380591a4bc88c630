"""Broken outlines, paddocks, soils, frost and things to keep clear of."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
import shapely.ops
from shapely import affinity

from bad_inputs.good_site import SQUARE, CaseTable, at, change

TABLE = CaseTable()
LAYER = "layer land"
AGAIN = "save it again as a GeoPackage"


def redo(site: Path, name: str, edit, layer: str | None = None) -> None:
    """Read a layer, let ``edit`` change the frame, and write it in its place."""
    path = site.parent / name
    layers = [str(found) for found in pyogrio.list_layers(path)[:, 0]]
    frames = {found: gpd.read_file(path, layer=found) for found in layers}
    layer = layer or layers[0]
    frames[layer] = edit(frames[layer])
    path.unlink()
    for found, frame in frames.items():
        frame.to_file(path, layer=found)


def outline(site: Path, *shapes: shapely.Geometry, crs: object = "EPSG:32756") -> None:
    """Give the site another boundary, in a file of its own."""
    gpd.GeoDataFrame({"name": [""] * len(shapes)}, geometry=list(shapes), crs=crs).to_file(
        site.parent / "outline.gpkg", layer="land"
    )
    change(site, boundary={"file": "outline.gpkg"})


def fields(site: Path, shapes: list, names: list, plant: list) -> None:
    """Give the site other paddocks, in a file of their own."""
    gpd.GeoDataFrame({"name": names, "plant": plant}, geometry=shapes, crs="EPSG:32756").to_file(
        site.parent / "fields.gpkg", layer="land"
    )
    change(site, paddocks={"file": "fields.gpkg"})


@TABLE.refuse("land.gpkg", "", "cannot be read as geodata", AGAIN)
def truncated_boundary(site):
    path = site.parent / "land.gpkg"
    path.write_bytes(path.read_bytes()[:5000])


@TABLE.refuse("soils.gpkg", "", "cannot be read as geodata", AGAIN)
def soils_cut_off_in_the_middle(site):
    path = site.parent / "soils.gpkg"
    path.write_bytes(path.read_bytes()[:20000])


@TABLE.refuse("frost.gpkg", "", "cannot be read as geodata", AGAIN)
def truncated_frost(site):
    path = site.parent / "frost.gpkg"
    path.write_bytes(path.read_bytes()[:300])


@TABLE.refuse("land.gpkg", "", "is empty", "")
def empty_file(site):
    (site.parent / "land.gpkg").write_bytes(b"")


@TABLE.refuse("no_plant.gpkg", "", "is empty", "")
def empty_no_plant(site):
    (site.parent / "no_plant.gpkg").write_bytes(b"")


@TABLE.refuse("soils.gpkg", "", "cannot be read as geodata", AGAIN)
def soils_that_are_a_picture(site):
    (site.parent / "soils.gpkg").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(200))


@TABLE.refuse("land.gpkg", "", "folder", "")
def boundary_that_is_a_folder(site):
    (site.parent / "land.gpkg").unlink()
    (site.parent / "land.gpkg").mkdir()


@TABLE.refuse("land.gpkg", "layer fence", "this layer does not exist", "land")
def layer_that_is_not_there(site):
    change(site, boundary={"layer": "fence"})


@TABLE.refuse("frost.gpkg", "", "several layers (readings, hollows)", "layer =")
def layer_not_said(site):
    change(site, soils={"file": "frost.gpkg"})


@TABLE.refuse("outline.gpkg", LAYER, "no coordinate reference system", "set its CRS")
def boundary_without_crs(site):
    outline(site, SQUARE, crs=None)


@TABLE.refuse("soils.gpkg", "layer soils", "no coordinate reference system", "set its CRS")
def soils_without_crs(site):
    redo(site, "soils.gpkg", lambda f: f.set_crs(None, allow_override=True))


@TABLE.refuse("dem.tif", "", "in different places", "CRS")
def boundary_in_another_zone(site):
    outline(site, SQUARE, crs="EPSG:32750")


@TABLE.refuse("dem.tif", "", "in different places", "CRS")
def boundary_on_the_other_half_of_the_earth(site):
    outline(site, SQUARE, crs="EPSG:32656")


@TABLE.refuse("outline.gpkg", LAYER, "swapped", "longitude")
def axes_swapped_in_degrees(site):
    lon_lat = gpd.GeoSeries([SQUARE], crs="EPSG:32756").to_crs(4326)[0]
    outline(site, shapely.ops.transform(lambda x, y: (y, x), lon_lat), crs="EPSG:4326")


@TABLE.refuse("dem.tif", "", "axes swapped", "easting first")
def axes_swapped_in_metres(site):
    outline(site, shapely.ops.transform(lambda x, y: (y, x), SQUARE))


@TABLE.refuse("outline.gpkg", LAYER, "degrees", "CRS")
def degrees_called_metres(site):
    lon_lat = gpd.GeoSeries([SQUARE], crs="EPSG:32756").to_crs(4326)[0]
    outline(site, lon_lat)


@TABLE.refuse("outline.gpkg", LAYER, "degrees", "CRS")
def metres_called_degrees(site):
    outline(site, SQUARE, crs="EPSG:4326")


@TABLE.refuse("outline.gpkg", LAYER, "not for the surface of the earth", "set the CRS")
def boundary_in_a_crs_of_no_map(site):
    outline(site, SQUARE, crs='LOCAL_CS["paddock tape",UNIT["metre",1]]')


@TABLE.refuse("outline.gpkg", LAYER, "finite coordinates", "")
def boundary_at_infinity(site):
    outline(site, shapely.Polygon([(0, 0), (np.inf, 0), (1, 1)]))


@TABLE.refuse("outline.gpkg", LAYER, "finite coordinates", "")
def boundary_with_one_corner_not_a_number(site):
    ring = np.array(SQUARE.exterior.coords)
    ring[2, 0] = np.nan
    outline(site, shapely.Polygon(ring))


@TABLE.refuse("outline.gpkg", LAYER, "", "CRS")
def boundary_of_huge_numbers(site):
    outline(site, affinity.scale(SQUARE, 1e9, 1e9))


@TABLE.refuse("outline.gpkg", LAYER, "km wide", "CRS")
def boundary_as_wide_as_a_country(site):
    outline(site, affinity.scale(SQUARE, 3000, 3000))


@TABLE.refuse("outline.gpkg", "layer", "no area", "draw it as a polygon")
def boundary_of_no_area(site):
    outline(site, shapely.Polygon([at(0, 0), at(100, 0), at(0, 0)]))


@TABLE.refuse("outline.gpkg", LAYER, "no features", "right layer")
def boundary_without_features(site):
    outline(site)


@TABLE.repair("closed lines are taken as outlines: feature 1.", "boundary: 4.0 ha")
def boundary_drawn_as_a_line(site):
    outline(site, shapely.LineString(SQUARE.exterior.coords))


@TABLE.repair("left out: feature 2 (Point)", "boundary: 4.0 ha")
def boundary_of_mixed_shapes(site):
    outline(site, SQUARE, at(20, 20))


@TABLE.repair("left out: feature 1 (Point)", "boundary: 4.0 ha")
def boundary_that_is_a_collection(site):
    outline(site, shapely.GeometryCollection([SQUARE, at(20, 20)]))


@TABLE.refuse("dem.tif", "", "different places", "CRS of both files")
def boundary_over_the_antimeridian_far_from_the_dem(site):
    outline(site, shapely.box(-179.999, -42.01, 179.999, -42.0), crs="EPSG:4326")


@TABLE.repair("crosses itself")
def boundary_like_a_bow_tie(site):
    outline(site, shapely.Polygon([at(0, 0), at(200, 200), at(200, 0), at(0, 200)]))


@TABLE.repair("crosses itself")
def boundary_with_a_spike_that_crosses(site):
    outline(site, shapely.Polygon([at(0, 0), at(200, 0), at(200, 190), at(190, 200), at(200, 180),
                                   at(199, 200), at(0, 200)]))  # fmt: skip


@TABLE.repair("crosses itself")
def paddock_that_crosses_itself(site):
    bow = shapely.Polygon([at(0, 0), at(200, 200), at(200, 0), at(0, 200)])
    fields(site, [bow], ["Bow"], [1])


@TABLE.repair("two parts")
def boundary_in_two_parts(site):
    outline(site, shapely.box(*at(0, 0).coords[0], *at(80, 200).coords[0]),
            shapely.box(*at(120, 0).coords[0], *at(200, 200).coords[0]))  # fmt: skip


@TABLE.repair("1 hole")
def boundary_with_a_hole(site):
    outline(site, SQUARE.difference(at(100, 100).buffer(30)))


@TABLE.repair("heights stored in its corners")
def boundary_with_heights(site):
    outline(site, shapely.force_3d(SQUARE, 300))


@TABLE.repair("left out without a shape: feature 2")
def paddock_without_a_shape(site):
    fields(site, [SQUARE, None], ["All", "Nowhere"], [1, 1])


@TABLE.repair("overlap")
def paddocks_that_overlap(site):
    fields(site, [SQUARE, at(100, 100).buffer(50)], ["All", "Middle"], [1, 1])


@TABLE.repair("overlap")
def paddock_inside_another_one_left(site):
    fields(site, [SQUARE, at(100, 100).buffer(50)], ["All", "Middle"], [1, 0])


@TABLE.repair("outside the boundary")
def paddock_past_the_fence(site):
    fields(site, [SQUARE.buffer(20)], ["All"], [1])


@TABLE.refuse("fields.gpkg", "layer", "outside the boundary", "CRS")
def paddocks_of_another_property(site):
    fields(site, [affinity.translate(SQUARE, 5000, 0)], ["All"], [1])


@TABLE.refuse("fields.gpkg", "name", "two paddocks are called 'Top'", "its own name")
def paddocks_of_one_name(site):
    fields(site, [at(50, 50).buffer(30), at(150, 150).buffer(30)], ["Top", "Top"], [1, 1])


@TABLE.refuse("fields.gpkg", "paddock 1, name", "no name", "its own name")
def paddock_without_a_name(site):
    fields(site, [SQUARE], ["  "], [1])


@TABLE.refuse("fields.gpkg", "paddock All, plant", "neither 1 nor 0", "write 1")
def paddock_to_be_planted_perhaps(site):
    fields(site, [SQUARE], ["All"], ["maybe"])


@TABLE.refuse("fields.gpkg", "plant", "no paddock is marked to be planted", "write 1")
def no_paddock_to_plant(site):
    fields(site, [SQUARE], ["All"], [0])


@TABLE.refuse("land.gpkg", LAYER, "no column 'called'", "did you mean")
def column_that_is_not_there(site):
    change(site, paddocks={"columns": {"name": "called"}})
    redo(site, "land.gpkg", lambda f: f.rename(columns={"name": "caled"}))


@TABLE.repair("the comma is read as the decimal point in soil unit A, depth_m: 0,6;")
def decimal_comma_in_the_soils(site):
    redo(site, "soils.gpkg", lambda f: f.assign(depth_m=["0,6"] * 4))


@TABLE.refuse("soils.gpkg", "soil unit A, depth_m", "inf is not valid", "between 0 and 50")
def infinitely_deep_soil(site):
    redo(site, "soils.gpkg", lambda f: f.assign(depth_m=[np.inf] * 4))


@TABLE.refuse("soils.gpkg", "soil unit A, ph", "58.0 is not valid", "between 2 and 11")
def impossible_ph(site):
    redo(site, "soils.gpkg", lambda f: f.assign(ph=[58.0] * 4))


@TABLE.refuse("soils.gpkg", "soil unit A, stones_percent", "-5.0 is not valid", "between 0 and 100")
def fewer_than_no_stones(site):
    redo(site, "soils.gpkg", lambda f: f.assign(stones_percent=[-5.0] * 4))


@TABLE.refuse(
    "soils.gpkg", "soil units A, B, C, D, texture", "is not a texture class", "did you mean"
)
def unknown_texture(site):
    redo(site, "soils.gpkg", lambda f: f.assign(texture=["clay lome"] * 4))


@TABLE.repair("have no soil polygon")
def soils_that_miss_half(site):
    redo(site, "soils.gpkg", lambda f: f.iloc[:2])


@TABLE.repair("Soil polygons overlap")
def soils_on_top_of_each_other(site):
    redo(site, "soils.gpkg", lambda f: f.assign(geometry=f.geometry.buffer(10)))


@TABLE.refuse("soils.gpkg", "layer", "covers none of the ground to be planted", "CRS")
def soils_of_another_property(site):
    redo(site, "soils.gpkg", lambda f: f.assign(geometry=f.geometry.translate(5000, 0)))


@TABLE.refuse(
    "frost.gpkg", "Flat, height_m", "is not valid", "the height of the instrument above the ground"
)
def reading_without_a_height(site):
    redo(site, "frost.gpkg", lambda f: f.assign(height_m=[np.nan, 1.2]), "readings")


@TABLE.refuse("frost.gpkg", "Flat, winter_min_c", "-75.0 is not valid", "lowest temperature in °C")
def colder_than_the_pole(site):
    redo(site, "frost.gpkg", lambda f: f.assign(winter_min_c=[-75.0, 1.2]), "readings")


@TABLE.refuse("frost.gpkg", "Flat, winter", "20.0 is not valid", "year of the winter")
def winter_of_two_digits(site):
    redo(site, "frost.gpkg", lambda f: f.assign(winter=[20.0, 2020.0]), "readings")


@TABLE.refuse("frost.gpkg", "Flat, winter", "2020.5 is not valid", "year of the winter")
def winter_and_a_half(site):
    redo(site, "frost.gpkg", lambda f: f.assign(winter=[2020.5, 2020.0]), "readings")


@TABLE.refuse("winter_minima.csv", "year", "winter 1850 is missing", "add the station's minimum")
def reading_of_a_winter_nobody_knows(site):
    redo(site, "frost.gpkg", lambda f: f.assign(winter=[1850, 2020]), "readings")


@TABLE.repair("are outside the DEM")
def reading_far_away(site):
    redo(site, "frost.gpkg", lambda f: f.assign(geometry=[at(90_000, 0), at(10, 10)]), "readings")


@TABLE.repair("same name")
def readings_of_one_name_and_winter(site):
    redo(site, "frost.gpkg", lambda f: f.assign(name=["Flat", "Flat"]), "readings")


@TABLE.refuse("no_plant.gpkg", "feature 1, kind", "is not a kind of thing", "did you mean 'track'")
def misspelt_kind(site):
    redo(site, "no_plant.gpkg", lambda f: f.assign(kind=["trak"]))


@TABLE.refuse("shelter.gpkg", "line 1, porosity", "40.0 is not valid", "share of the wind")
def porosity_in_percent(site):
    redo(site, "shelter.gpkg", lambda f: f.assign(porosity=[40.0]))


@TABLE.refuse("shelter.gpkg", "feature 1", "it is a Point", "LineString")
def hedge_that_is_a_point(site):
    redo(site, "shelter.gpkg", lambda f: f.assign(geometry=[at(5, 5)]))


@TABLE.repair("Polygons of the boundary overlap on 4.00 ha")
def boundary_drawn_twice(site):
    outline(site, SQUARE, SQUARE)


@TABLE.repair("species that are not in the species table (Acacia dealbatum")
def mother_of_no_species(site):
    def edit(frame):
        return frame.assign(species=["Acacia dealbatum", *frame["species"][1:]])

    redo(site, "seed_sources.gpkg", edit)
