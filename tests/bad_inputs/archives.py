"""Other people's formats: GeoJSON, Shapefile, KML, KMZ, GPX, and archives that swell."""

from __future__ import annotations

import json
import zipfile

import geopandas as gpd

from bad_inputs.good_site import SQUARE, CaseTable, change

TABLE = CaseTable()
AGAIN = "save it again as a GeoPackage"
LAND = gpd.GeoDataFrame({"name": ["All"]}, geometry=[SQUARE], crs="EPSG:32756").to_crs(4326)
CORNERS = " ".join(f"{x:.9f},{y:.9f}" for x, y in LAND.geometry[0].exterior.coords)
RING = (
    f"<outerBoundaryIs><LinearRing><coordinates>{CORNERS}</coordinates></LinearRing>"
    "</outerBoundaryIs>"
)
KML = (
    '<?xml version="1.0" encoding="UTF-8"?>{head}<kml xmlns="http://www.opengis.net/kml/2.2">'
    "<Document><Placemark><name>{name}</name><Polygon>" + RING + "</Polygon></Placemark>"
    "</Document></kml>"
)
LAUGHS = "<!DOCTYPE kml [<!ENTITY a0 'ha'>" + "".join(
    f"<!ENTITY a{n} '{f'&a{n - 1};' * 10}'>" for n in range(1, 12)
) + "]>"  # fmt: skip


def outline(site, name, data):
    (site.parent / name).write_bytes(data if isinstance(data, bytes) else data.encode())
    change(site, boundary={"file": name})


def archive(site, name, inside, data, repeat=1):
    with (
        zipfile.ZipFile(site.parent / name, "w", zipfile.ZIP_DEFLATED) as packed,
        packed.open(inside, "w", force_zip64=True) as stream,
    ):
        for _ in range(repeat):
            stream.write(data)


@TABLE.refuse("a.geojson", "line 1, column 151", "cannot be read as geodata", AGAIN)
def truncated_geojson(site):
    outline(site, "a.geojson", LAND.to_json()[:150])


@TABLE.refuse("a.geojson", "", "is empty", "save or copy it again")
def empty_geojson(site):
    outline(site, "a.geojson", "")


@TABLE.refuse("a.geojson", "layer", "swapped", "longitude first")
def swapped_geojson(site):
    told = json.loads(LAND.to_json())
    ring = told["features"][0]["geometry"]["coordinates"][0]
    told["features"][0]["geometry"]["coordinates"][0] = [[y, x] for x, y in ring]
    outline(site, "a.geojson", json.dumps(told))


@TABLE.refuse("a.geojson", "layer", "no features", "right layer")
def geojson_without_features(site):
    outline(site, "a.geojson", '{"type": "FeatureCollection", "features": []}')


@TABLE.repair("heights stored in its corners")
def kml_with_heights(site):
    outline(site, "a.kml", KML.format(head="", name="All").replace(" 1", ",300 1"))


@TABLE.refuse("a.kml", "line 1", "cannot be read as geodata", AGAIN)
def truncated_kml(site):
    outline(site, "a.kml", KML.format(head="", name="All")[:200])


@TABLE.refuse("a.kml", "", "entities", "without")
def bomb_in_a_kml(site):
    outline(site, "a.kml", KML.format(head=LAUGHS, name="&a11;"))


@TABLE.refuse("a.gpx", "", "entities", "without")
def bomb_in_a_gpx(site):
    outline(site, "a.gpx", f"<?xml version='1.0'?>{LAUGHS}<gpx><name>&a11;</name></gpx>")


@TABLE.refuse("a.kmz", "", "unpacks to", "GeoPackage")
def bomb_in_a_kmz(site):
    archive(site, "a.kmz", "doc.kml", bytes(1_000_000), 210)
    change(site, boundary={"file": "a.kmz"})


@TABLE.refuse("a.kmz", "", "entities", "without")
def entities_in_a_kmz(site):
    archive(site, "a.kmz", "doc.kml", KML.format(head=LAUGHS, name="&a11;").encode())
    change(site, boundary={"file": "a.kmz"})


@TABLE.refuse("a.kmz", "", "outside its folder", "pack it again")
def kmz_that_climbs_out(site):
    archive(site, "a.kmz", "../../doc.kml", KML.format(head="", name="x").encode())
    change(site, boundary={"file": "a.kmz"})


@TABLE.repair("heights stored in its corners")
def kmz_with_heights(site):
    told = KML.format(head="", name="All").replace(" 1", ",300 1").encode()
    archive(site, "a.kmz", "doc.kml", told)
    change(site, boundary={"file": "a.kmz"})


@TABLE.refuse("a.kmz", "", "has no KML", AGAIN)
def kmz_without_a_kml(site):
    archive(site, "a.kmz", "notes.txt", b"nothing")
    change(site, boundary={"file": "a.kmz"})


@TABLE.refuse("a.kmz", "", "it cannot be unpacked", AGAIN)
def kmz_that_is_no_archive(site):
    outline(site, "a.kmz", "PK nothing")


@TABLE.refuse("a.kmz", "", "it cannot be unpacked", AGAIN)
def truncated_kmz(site):
    archive(site, "b.kmz", "doc.kml", KML.format(head="", name="x").encode())
    outline(site, "a.kmz", (site.parent / "b.kmz").read_bytes()[:200])


@TABLE.refuse("species.xlsx", "", "unpacks to", "CSV")
def bomb_in_an_xlsx(site):
    archive(site, "species.xlsx", "xl/worksheets/sheet1.xml", bytes(1_000_000), 210)
    change(site, species={"file": "species.xlsx"})


@TABLE.refuse("a.gpx", "line 1", "cannot be read as geodata", AGAIN)
def truncated_gpx(site):
    outline(site, "a.gpx", "<?xml version='1.0'?><gpx version='1.1'><wpt lat='-42'")


@TABLE.refuse("a.shp", "", "cannot be read as geodata", AGAIN)
def truncated_shapefile(site):
    LAND.to_file(site.parent / "a.shp")
    path = site.parent / "a.shp"
    path.write_bytes(path.read_bytes()[:60])
    change(site, boundary={"file": "a.shp"})


@TABLE.refuse("a.shp", "layer a", "no coordinate reference system", "set its CRS")
def shapefile_without_its_prj(site):
    LAND.to_file(site.parent / "a.shp")
    (site.parent / "a.prj").unlink()
    change(site, boundary={"file": "a.shp"})


@TABLE.refuse("a.shp", "", ".shx", "copy")
def shapefile_without_its_index(site):
    LAND.to_file(site.parent / "a.shp")
    (site.parent / "a.shx").unlink()
    change(site, boundary={"file": "a.shp"})
