"""Broken site files: not TOML, wrong values, hostile names, paths that lead out of the folder."""

from __future__ import annotations

from bad_inputs.good_site import CaseTable, change

TABLE = CaseTable()


def swap(site, old, new):
    text = site.read_text(encoding="utf-8")
    assert old in text
    site.write_text(text.replace(old, new, 1), encoding="utf-8")


@TABLE.refuse("site.toml", "site", "setting is missing", "write site")
def empty_site_file(site):
    site.write_bytes(b"")


@TABLE.refuse("site.toml", "", "not valid TOML", "correct the line")
def truncated_site_file(site):
    site.write_bytes(site.read_bytes()[:200].rpartition(b'"')[0])


@TABLE.refuse("site.toml", "byte 0", "not UTF-8", "UTF-8")
def site_file_in_utf_16(site):
    site.write_bytes(site.read_text(encoding="utf-8").encode("utf-16"))


@TABLE.refuse("site.toml", "byte", "not UTF-8", "UTF-8")
def not_utf8(site):
    site.write_bytes(site.read_bytes().replace(b"A square", b"A squ\xe9re"))


@TABLE.refuse("site.toml", "", "not valid TOML", "correct the line")
def site_file_that_is_binary(site):
    site.write_bytes(b"SQLite format 3\x00" + bytes(50))


@TABLE.refuse("site.toml", "planting.spacing_m", "nan is not valid", "")
def spacing_not_a_number(site):
    change(site, planting={"spacing_m": float("nan")})


@TABLE.refuse("site.toml", "planting.spacing_m", "inf is not valid", "")
def spacing_at_infinity(site):
    change(site, planting={"spacing_m": float("inf")})


@TABLE.refuse("site.toml", "dem.margin_m", "inf is not valid", "")
def margin_without_end(site):
    change(site, dem={"margin_m": float("inf")})


@TABLE.refuse("site.toml", "dem.cell_m", "1e-300 is not valid", "")
def cells_of_no_width(site):
    change(site, dem={"cell_m": 1e-300})


@TABLE.refuse("site.toml", "dem.nodata", "is not valid", "")
def nodata_in_words(site):
    change(site, dem={"nodata": "minus nine"})


@TABLE.refuse("site.toml", "dem.crs", "is not a known CRS", "EPSG code")
def crs_nobody_knows(site):
    change(site, dem={"crs": "EPSG:999999"})


@TABLE.refuse("site.toml", "site.crs", "not projected in metres", "UTM zone")
def working_crs_in_degrees(site):
    change(site, site={"crs": "EPSG:4326"})


@TABLE.refuse("site.toml", "site.name", "is not valid", "")
def name_without_letters(site):
    change(site, site={"name": ""})


@TABLE.refuse("site.toml", "site.name", "is not valid", "200")
def name_without_end(site):
    change(site, site={"name": "x" * 100_000})


@TABLE.refuse("site.toml", "path", "this setting does not exist", "")
def setting_of_our_own(site):
    site.write_text('path = "/etc"\n' + site.read_text(encoding="utf-8"), encoding="utf-8")


@TABLE.refuse("site.toml", "nursery.plant_on", "is not valid", "")
def planting_day_that_never_is(site):
    change(site, nursery={"plant_on": "2028-02-31"})


@TABLE.refuse("site.toml", "frost.growth_starts", "is not valid", "")
def growth_on_a_day_backwards(site):
    change(site, frost={"growth_starts": "20-09"})


@TABLE.refuse("../../gone.gpkg", "", "this file does not exist", "check the path")
def boundary_by_a_path_that_climbs(site):
    change(site, boundary={"file": "../../gone.gpkg"})


@TABLE.refuse(
    "/vsicurl/http:/127.0.0.1:9/land.gpkg", "", "this file does not exist", "check the path"
)
def boundary_from_a_network(site):
    change(site, boundary={"file": "/vsicurl/http://127.0.0.1:9/land.gpkg"})


@TABLE.refuse("land\\x00.gpkg", "", "", "check the path")
def file_name_with_a_nought(site):
    change(site, boundary={"file": "land\u0000.gpkg"})


@TABLE.refuse("x" * 5000, "", "", "check the path")
def file_name_too_long(site):
    change(site, soils={"file": "x" * 5000})


@TABLE.refuse("site.toml", "map.imagery_url", "is not valid", "https address")
def imagery_without_a_lock(site):
    change(site, map={"imagery_url": "http://x.example/{z}/{x}/{y}"})


@TABLE.refuse("site.toml", "layers.hillshade.azimuth", "'north' is not a number", "such as 315")
def a_layers_setting_of_another_kind(site):
    change(site, layers={"hillshade": {"azimuth": "north"}})


@TABLE.refuse("site.toml", "site.crs", "another part of the earth", "leave it out")
def crs_across_the_earth(site):
    change(site, site={"crs": "EPSG:32633"})


@TABLE.refuse(
    "site.toml", "site.crs", "lengths on its map are up to 35 % longer than on the ground",
    "leave it out, or write EPSG:32756",
)  # fmt: skip
def crs_whose_metres_are_no_metres(site):
    change(site, site={"crs": "EPSG:3857"})


@TABLE.refuse("site.toml", "site.crs", "is not for the surface of the earth", "EPSG:32756")
def crs_of_the_moon(site):
    change(site, site={"crs": "+proj=eqc +R=1737400 +units=m +type=crs"})


@TABLE.refuse("local.csv", "", "this file does not exist", "check the path")
def a_list_of_local_species_that_is_gone(site):
    change(site, decisions={"local": "local.csv"})
