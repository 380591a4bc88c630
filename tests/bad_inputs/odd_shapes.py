"""Odd shapes: usable parts are used, the rest is named, and nothing vanishes."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from bad_inputs.good_site import SQUARE, CaseTable, at, change
from bad_inputs.odd_files import HECTARES, collection, feature, lon_lat, square
from bad_inputs.vectors import LAYER, fields, outline, redo

TABLE = CaseTable()
WEST_HALF = shapely.box(*at(0, 0).coords[0], *at(100, 200).coords[0])
EAST_HALF = shapely.box(*at(100, 0).coords[0], *at(200, 200).coords[0])
INNER = at(100, 100).buffer(20, cap_style="square")


@TABLE.repair("a hole outside its outline is used as a part of the ground: feature 1", HECTARES)
def half_the_property_drawn_as_a_hole(site):
    apart = shapely.box(*at(101, 0).coords[0], *at(201, 200).coords[0])
    outline(site, shapely.Polygon(WEST_HALF.exterior, [apart.exterior]))


@TABLE.repair("repaired", "boundary: 4.0 ha")
def part_inside_another_part(site):
    outline(site, shapely.MultiPolygon([SQUARE, INNER]))


@TABLE.take("boundary: 4.0 ha")
def island_in_a_hole(site):
    holed = shapely.Polygon(SQUARE.exterior, [INNER.exterior])
    outline(site, shapely.MultiPolygon([holed, INNER]))


@TABLE.repair("repaired", "boundary: 4.0 ha")
def parts_on_top_of_each_other(site):
    outline(site, shapely.MultiPolygon([WEST_HALF.buffer(0), SQUARE]))


@TABLE.repair("repaired", "boundary: 3.8 ha")
def holes_on_top_of_each_other(site):
    more = shapely.transform(INNER, lambda xy: xy + np.array([20.0, 0.0]))
    outline(site, shapely.Polygon(SQUARE.exterior, [INNER.exterior, more.exterior]))


@TABLE.repair("left out without a shape: feature 2", HECTARES)
def feature_without_a_shape(site):
    collection(site, feature(square()), feature(None))


@TABLE.repair("left out without a shape: feature 1", HECTARES)
def feature_of_an_unknown_shape(site):
    collection(site, feature({"type": "Blob", "coordinates": []}), feature(square()))


@TABLE.repair("left out without a shape: feature 2", HECTARES)
def feature_with_its_corners_one_level_too_high(site):
    corners = square()["coordinates"][0]
    collection(site, feature(square()), feature({"type": "Polygon", "coordinates": corners}))


@TABLE.repair("outlines that were not closed have been closed", HECTARES)
def outline_that_is_not_closed(site):
    shape = square()
    shape["coordinates"][0].pop()
    collection(site, feature(shape))


@TABLE.repair("the heights stored in its corners", HECTARES)
def corners_of_four_numbers(site):
    shape = square()
    shape["coordinates"][0] = [[*xy, 300.0, 7.0] for xy in shape["coordinates"][0]]
    collection(site, feature(shape))


@TABLE.take(HECTARES)
def geojson_that_says_its_own_crs(site):
    shape = {"type": "Polygon", "coordinates": [list(map(list, SQUARE.exterior.coords))]}
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32756"}}
    collection(site, feature(shape), crs=crs)


@TABLE.repair("left out: feature 1 (LineString); feature 1 (Point)", HECTARES)
def collection_in_a_collection(site):
    line = shapely.LineString([at(0, 0), at(90, 90)])
    inner = shapely.GeometryCollection([at(5, 5), line])
    outline(site, shapely.GeometryCollection([SQUARE, inner]))


@TABLE.take(HECTARES)
def collection_of_two_halves(site):
    outline(site, shapely.GeometryCollection([WEST_HALF, EAST_HALF]))


@TABLE.repair("left out: feature 2 (LineString)", HECTARES)
def boundary_with_a_line_in_it(site):
    outline(site, SQUARE, shapely.LineString([at(0, 0), at(200, 200)]))


@TABLE.repair("left out: feature 2 (LineString)", "paddocks: 1, of which 1 to plant")
def paddock_that_is_a_line(site):
    fields(site, [SQUARE, shapely.LineString([at(0, 0), at(90, 0)])], ["All", "Lane"], [1, 1])


@TABLE.take("paddocks: 2, of which 2 to plant")
def paddock_of_two_parts_in_a_collection(site):
    two = shapely.GeometryCollection([at(50, 50).buffer(20), at(50, 150).buffer(20)])
    fields(site, [two, EAST_HALF], ["Low", "High"], [1, 1])


@TABLE.repair("left out: feature 2 (Point)", "soil: 4 polygons")
def soil_that_is_a_point(site):
    def edit(frame):
        more = frame.iloc[[0]].assign(geometry=[at(10, 10)])
        return gpd.pd.concat([frame.iloc[:1], more, frame.iloc[1:]], ignore_index=True)

    redo(site, "soils.gpkg", edit)


@TABLE.take("frost: 2 readings")
def readings_as_points_of_several(site):
    def edit(frame):
        return frame.assign(geometry=[shapely.MultiPoint([p]) for p in frame.geometry])

    redo(site, "frost.gpkg", edit, "readings")


@TABLE.repair("left out: feature 1 (Polygon)", "frost: 1 readings")
def reading_drawn_as_a_circle(site):
    redo(site, "frost.gpkg", lambda f: f.assign(geometry=[at(40, 60).buffer(5), at(150, 140)]),
         "readings")  # fmt: skip


@TABLE.take("to keep clear of: 2 features")
def thing_of_a_point_and_a_line(site):
    def edit(frame):
        both = shapely.GeometryCollection([at(5, 5), frame.geometry[0]])
        return frame.assign(geometry=[both])

    redo(site, "no_plant.gpkg", edit)


@TABLE.repair("more than 1 km outside the boundary", "track Drive")
def thing_to_keep_clear_of_far_outside(site):
    redo(site, "no_plant.gpkg", lambda f: f.assign(geometry=f.geometry.translate(9_000, 0)))


@TABLE.repair("left out, 5000 km or more from the others: feature 2", "to keep clear of: 2 feat")
def thing_to_keep_clear_of_on_the_other_side_of_the_earth(site):
    def edit(frame):
        far = frame.assign(geometry=frame.geometry.translate(0, 5_000_000))
        return gpd.pd.concat([frame, far, frame.assign(name="Lane")], ignore_index=True)

    redo(site, "no_plant.gpkg", edit)


@TABLE.refuse("outline.gpkg", f"{LAYER}, feature 1", "longitude 1489.9", "decimal point")
def longitude_without_its_decimal_point(site):
    corners = np.array(lon_lat(SQUARE).exterior.coords)
    corners[1, 0] = 1489.9
    outline(site, shapely.Polygon(corners), crs="EPSG:4326")


@TABLE.refuse("outline.gpkg", f"{LAYER}, feature 2", "is far from the others", "sign")
def longitude_without_its_sign(site):
    shape = lon_lat(SQUARE)
    other = shapely.transform(shape, lambda xy: xy * [-1, 1])
    outline(site, shape, other, shape, crs="EPSG:4326")


@TABLE.refuse("outline.gpkg", f"{LAYER}, feature 1", "latitude -420.02", "decimal point")
def latitude_without_its_decimal_point(site):
    corners = np.array(lon_lat(SQUARE).exterior.coords)
    corners[2, 1] = -420.02
    outline(site, shapely.Polygon(corners), crs="EPSG:4326")


@TABLE.repair("km or more from the others: feature 2", HECTARES)
def coordinates_beyond_any_map(site):
    lost = shapely.transform(SQUARE, lambda xy: xy * 1e12)
    outline(site, SQUARE, lost, SQUARE)


@TABLE.repair("left out without a shape", "mother trees: 1")
def mother_tree_without_a_place(site):
    def edit(frame):
        return gpd.pd.concat([frame, frame.assign(geometry=[None])], ignore_index=True)

    redo(site, "seed_sources.gpkg", edit)


@TABLE.refuse("seed_sources.gpkg", "features 1, 2", "each is a Polygon", "Point")
def mother_trees_drawn_as_circles(site):
    def edit(frame):
        two = gpd.pd.concat([frame, frame], ignore_index=True)
        return two.assign(geometry=two.geometry.buffer(4))

    redo(site, "seed_sources.gpkg", edit)


@TABLE.repair("left out without an area", "paddocks: 1, of which")
def paddock_folded_to_nothing(site):
    fields(site, [SQUARE, shapely.Polygon([at(0, 0), at(9, 9), at(0, 0)])], ["All", "Thin"], [1, 1])


@TABLE.refuse("outline.gpkg", LAYER, "no features with finite coordinates", "right layer")
def boundary_of_nothing_but_empty_shapes(site):
    outline(site, shapely.Polygon(), shapely.Polygon())


@TABLE.take("paddocks: 1, of which 1 to plant")
def no_column_that_says_what_to_plant(site):
    fields(site, [SQUARE], ["All"], [0])
    change(site, paddocks={"columns": {"plant": ""}})
