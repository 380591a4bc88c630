"""Other people's formats that can be read: folders, archives, GPS tracks, and odd bytes in them."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from bad_inputs.archives import AGAIN, KML, LAND, archive, outline
from bad_inputs.good_site import SQUARE, CaseTable, at, change

TABLE = CaseTable()
HECTARES = "boundary: 4.0 ha"
GPX = (
    '<?xml version="1.0"?><gpx version="1.1" creator="x" '
    'xmlns="http://www.topografix.com/GPX/1/1">{}</gpx>'
)


def lon_lat(shape):
    return gpd.GeoSeries([shape], crs="EPSG:32756").to_crs(4326)[0]


def points(tag: str, shape: shapely.Geometry) -> str:
    """Write the corners of a shape as points of a GPX."""
    corners = shapely.get_coordinates(lon_lat(shape))
    return "".join(f'<{tag} lat="{y:.9f}" lon="{x:.9f}"></{tag}>' for x, y in corners)


def track(shape: shapely.Geometry) -> str:
    return f"<trk><name>Fence</name><trkseg>{points('trkpt', shape)}</trkseg></trk>"


def feature(geometry: object, **properties: object) -> dict[str, object]:
    return {"type": "Feature", "properties": {"name": "All", **properties}, "geometry": geometry}


def collection(site: Path, *features: object, **more: object) -> None:
    """Give the site a boundary in GeoJSON."""
    told = {"type": "FeatureCollection", "features": list(features), **more}
    outline(site, "a.geojson", json.dumps(told))


def square(*, shift: float = 0.0) -> dict[str, object]:
    """Give the property as GeoJSON's geometry, moved east by metres."""
    moved = shapely.transform(SQUARE, lambda xy: xy + np.array([shift, 0.0]))
    return json.loads(shapely.to_geojson(lon_lat(moved)))


def shapefile(folder: Path, stem: str = "a", frame: gpd.GeoDataFrame = LAND) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    frame.to_file(folder / f"{stem}.shp")


def packed(site: Path, name: str, folder: Path) -> None:
    """Pack a folder's files, and give the site this as its boundary."""
    with zipfile.ZipFile(site.parent / name, "w") as target:
        for path in sorted(folder.rglob("*")):
            target.write(path, path.relative_to(folder).as_posix())
    shutil.rmtree(folder)
    change(site, boundary={"file": name})


@TABLE.take(HECTARES)
def boundary_in_a_filegdb(site):
    pyogrio.write_dataframe(LAND, site.parent / "a.gdb", layer="land", driver="OpenFileGDB")
    change(site, boundary={"file": "a.gdb"})


@TABLE.take(HECTARES)
def boundary_in_a_filegdb_by_another_name(site):
    pyogrio.write_dataframe(LAND, site.parent / "a.gdb", layer="land", driver="OpenFileGDB")
    packed(site, "a.zip", site.parent / "a.gdb")
    with zipfile.ZipFile(site.parent / "a.zip") as archived:
        archived.extractall(site.parent / "land.gdb")
    (site.parent / "a.zip").unlink()
    change(site, boundary={"file": "land.gdb"})


@TABLE.take(HECTARES)
def boundary_in_a_folder_of_one_shapefile(site):
    shapefile(site.parent / "shapes")
    change(site, boundary={"file": "shapes"})


@TABLE.refuse("shapes", "", "it has several layers", "layer =")
def boundary_in_a_folder_of_two_shapefiles(site):
    shapefile(site.parent / "shapes", "a")
    shapefile(site.parent / "shapes", "b")
    change(site, boundary={"file": "shapes"})


@TABLE.take(HECTARES)
def boundary_in_a_folder_with_its_layer_named(site):
    shapefile(site.parent / "shapes", "a")
    shapefile(site.parent / "shapes", "b")
    change(site, boundary={"file": "shapes", "layer": "b"})


@TABLE.refuse("shapes", "", "it is a folder without geodata", "a file in it")
def boundary_in_a_folder_of_letters(site):
    (site.parent / "shapes").mkdir()
    (site.parent / "shapes" / "a.txt").write_text("Dear neighbour", encoding="utf-8")
    change(site, boundary={"file": "shapes"})


@TABLE.take(HECTARES)
def boundary_in_a_zipped_shapefile(site):
    shapefile(site.parent / "shapes")
    packed(site, "a.zip", site.parent / "shapes")


@TABLE.take(HECTARES)
def boundary_in_a_zipped_shapefile_deep_inside(site):
    shapefile(site.parent / "shapes" / "export" / "final")
    packed(site, "a.zip", site.parent / "shapes")


@TABLE.refuse("a.zip", "", "it has several layers", "layer =")
def boundary_in_a_zip_of_two_shapefiles(site):
    shapefile(site.parent / "shapes", "a")
    shapefile(site.parent / "shapes", "b")
    packed(site, "a.zip", site.parent / "shapes")


@TABLE.refuse("a.zip", "", "it holds several data sets", "unpack it")
def boundary_in_a_zip_of_this_and_that(site):
    shapefile(site.parent / "shapes" / "old")
    LAND.to_file(site.parent / "shapes" / "new.gpkg")
    packed(site, "a.zip", site.parent / "shapes")


@TABLE.refuse("a.zip", "", "it holds no geodata", "check the archive")
def boundary_in_a_zip_of_letters(site):
    archive(site, "a.zip", "a.txt", b"Dear neighbour")
    change(site, boundary={"file": "a.zip"})


@TABLE.refuse("a.zip", "", "it cannot be unpacked", AGAIN)
def boundary_in_half_a_zip(site):
    shapefile(site.parent / "shapes")
    packed(site, "a.zip", site.parent / "shapes")
    path = site.parent / "a.zip"
    path.write_bytes(path.read_bytes()[:400])


@TABLE.take(HECTARES)
def boundary_in_a_zipped_filegdb(site):
    (site.parent / "folder").mkdir()
    pyogrio.write_dataframe(
        LAND, site.parent / "folder" / "a.gdb", layer="land", driver="OpenFileGDB"
    )
    packed(site, "a.zip", site.parent / "folder")


@TABLE.take(HECTARES)
def boundary_in_gml(site):
    LAND.to_file(site.parent / "a.gml", driver="GML")
    (site.parent / "a.xsd").unlink()
    change(site, boundary={"file": "a.gml"})


@TABLE.take(HECTARES)
def boundary_in_a_zipped_gml(site):
    (site.parent / "folder").mkdir()
    LAND.to_file(site.parent / "folder" / "a.gml", driver="GML")
    (site.parent / "folder" / "a.xsd").unlink()
    packed(site, "a.zip", site.parent / "folder")


@TABLE.refuse("a.gml", "line", "cannot be read as geodata", AGAIN)
def truncated_gml(site):
    LAND.to_file(site.parent / "a.gml", driver="GML")
    (site.parent / "a.xsd").unlink()
    path = site.parent / "a.gml"
    outline(site, "a.gml", path.read_bytes()[:700])


@TABLE.take(HECTARES)
def boundary_in_flatgeobuf(site):
    LAND.to_file(site.parent / "a.fgb")
    change(site, boundary={"file": "a.fgb"})


@TABLE.take(HECTARES)
def boundary_in_mapinfo(site):
    LAND.to_file(site.parent / "a.tab", driver="MapInfo File")
    change(site, boundary={"file": "a.tab"})


@TABLE.refuse("a.dxf", "layer entities", "no coordinate reference system", "set its CRS")
def boundary_in_a_drawing(site):
    LAND[["geometry"]].to_file(site.parent / "a.dxf", driver="DXF")
    change(site, boundary={"file": "a.dxf"})


@TABLE.repair("closed lines are taken as outlines: feature 1.", HECTARES)
def boundary_walked_with_a_gps(site):
    outline(site, "a.gpx", GPX.format(track(SQUARE)))


@TABLE.repair("though the ends are up to", "boundary: 4.0 ha")
def boundary_walked_but_for_the_last_metres(site):
    ring = shapely.LineString([*SQUARE.exterior.coords[:-1], at(180, 0)])
    outline(site, "a.gpx", GPX.format(track(ring)))


@TABLE.refuse("a.gpx", "layer tracks, feature 1", "it is a MultiLineString", "Polygon")
def boundary_walked_half_way(site):
    ring = shapely.LineString(list(SQUARE.exterior.coords)[:3])
    outline(site, "a.gpx", GPX.format(track(ring)))


@TABLE.repair("closed lines are taken as outlines", HECTARES)
def boundary_as_a_route(site):
    outline(site, "a.gpx", GPX.format(f"<rte>{points('rtept', SQUARE)}</rte>"))


@TABLE.repair("its tracks are used, not its routes", HECTARES)
def boundary_as_a_track_beside_a_route(site):
    half = shapely.LineString(list(SQUARE.exterior.coords)[:3])
    outline(site, "a.gpx", GPX.format(f"<rte>{points('rtept', half)}</rte>" + track(SQUARE)))


@TABLE.refuse("a.gpx", "layer tracks", "no features", "right layer")
def boundary_of_waypoints(site):
    outline(site, "a.gpx", GPX.format(points("wpt", SQUARE)))


@TABLE.take("frost: 2 readings")
def readings_in_a_zipped_shapefile(site):
    frame = gpd.read_file(site.parent / "frost.gpkg", layer="readings")
    shapefile(site.parent / "shapes", "a", frame.rename(columns={"winter_min_c": "winter_min"}))
    with zipfile.ZipFile(site.parent / "a.zip", "w") as target:
        for path in sorted((site.parent / "shapes").iterdir()):
            target.write(path, path.name)
    columns = {"winter_min_c": "winter_min"}
    change(site, frost={"readings": {"file": "a.zip", "columns": columns}})


@TABLE.take("to keep clear of: 1 features")
def things_to_keep_clear_of_in_a_kmz(site):
    ring = KML.format(head="", name="Shed")
    told = ring.replace("</Placemark>", "<ExtendedData><Data name='kind'><value>building</value>"
                        "</Data></ExtendedData></Placemark>")  # fmt: skip
    archive(site, "a.kmz", "doc.kml", told.encode())
    change(site, no_plant={"file": "a.kmz", "columns": {"name": "Name"}})


@TABLE.refuse("a.kmz", "", "it cannot be unpacked", AGAIN)
def things_to_keep_clear_of_in_half_a_kmz(site):
    archive(site, "b.kmz", "doc.kml", KML.format(head="", name="Shed").encode())
    (site.parent / "a.kmz").write_bytes((site.parent / "b.kmz").read_bytes()[:150])
    change(site, no_plant={"file": "a.kmz"})


@TABLE.take("to keep clear of: 1 features")
def things_to_keep_clear_of_in_a_filegdb(site):
    frame = gpd.read_file(site.parent / "no_plant.gpkg")
    pyogrio.write_dataframe(frame, site.parent / "a.gdb", layer="clear", driver="OpenFileGDB")
    change(site, no_plant={"file": "a.gdb"})


@TABLE.take("soil: 4 polygons")
def soils_in_a_geojson_of_many_lines(site):
    frame = gpd.read_file(site.parent / "soils.gpkg").to_crs(4326)
    (site.parent / "a.geojson").write_text(frame.to_json(indent=1), encoding="utf-8")
    change(site, soils={"file": "a.geojson"})


@TABLE.take(HECTARES)
def boundary_beside_a_table_of_styles(site):
    path = site.parent / "outline.gpkg"
    LAND.to_file(path, layer="land")
    styles = gpd.pd.DataFrame({"f_table_name": ["land"], "styleSLD": ["red"]})
    pyogrio.write_dataframe(styles, path, layer="layer_styles")
    change(site, boundary={"file": "outline.gpkg"})


@TABLE.take(HECTARES)
def boundary_beside_an_empty_layer(site):
    path = site.parent / "outline.gpkg"
    LAND.to_file(path, layer="land")
    LAND.iloc[:0].to_file(path, layer="sketch", geometry_type="Polygon")
    change(site, boundary={"file": "outline.gpkg"})


@TABLE.repair("in the encoding it says", HECTARES)
def letters_in_another_encoding(site):
    shapefile(site.parent, "a", LAND.assign(name="Aue"))
    path = site.parent / "a.dbf"
    path.write_bytes(path.read_bytes().replace(b"Aue", b"\xc4ue"))
    (site.parent / "a.cpg").write_text("UTF-8", encoding="utf-8")
    change(site, boundary={"file": "a.shp"})


@TABLE.refuse("a.shp", "layer a", "there is no column 'name'", 'write name = ""')
def paddocks_in_a_shapefile_without_its_table(site):
    shapefile(site.parent)
    (site.parent / "a.dbf").unlink()
    change(site, paddocks={"file": "a.shp"})


@TABLE.refuse("a.geojson", "line 2, column 1", "cannot be read as geodata", AGAIN)
def geojson_with_a_line_of_letters(site):
    outline(site, "a.geojson", "{\nDear neighbour\n}")


@TABLE.refuse("a.geojson", "byte 11", "cannot be read as geodata", AGAIN)
def geojson_in_bytes_that_are_no_letters(site):
    outline(site, "a.geojson", b'{"type": "F\xff\xfe"')


@TABLE.take(HECTARES)
def geojson_with_a_mark_of_byte_order(site):
    outline(site, "a.geojson", b"\xef\xbb\xbf" + LAND.to_json().encode())


@TABLE.take(HECTARES)
def geojson_of_a_bare_geometry(site):
    outline(site, "a.geojson", json.dumps(square()))


@TABLE.refuse("a.geojson", "", "cannot be read as geodata", AGAIN)
def geojson_of_another_kind_of_json(site):
    outline(site, "a.geojson", '{"name": "Aue", "area": 4}')


@TABLE.refuse("a.geojson", "", "cannot be read as geodata", AGAIN)
def geojson_nested_without_end(site):
    outline(site, "a.geojson", '{"type": "FeatureCollection", "features": ' + "[" * 100_000)


@TABLE.refuse("a.kml", "line 1, column", "cannot be read as geodata", AGAIN)
def kml_with_a_tag_never_closed(site):
    outline(site, "a.kml", KML.format(head="", name="All").replace("</name>", ""))


@TABLE.refuse("a.kml", "layer", "no features", "right layer")
def kml_of_a_link_alone(site):
    head = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2">'
    link = "<NetworkLink><name>x</name><Link><href>here.kml</href></Link></NetworkLink>"
    outline(site, "a.kml", f"{head}<Document>{link}</Document></kml>")
