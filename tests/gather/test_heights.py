"""Heights: a country's own, else bare earth checked by the surface, else the surface."""

import functools
import json
import tomllib

import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from gather.fake_services import (
    LAT,
    LON,
    NOT_FOUND,
    Said,
    door_of,
    glo30_path,
    height_tile,
    hill,
    outline,
    path_of,
    put_heights,
    services_of,
    tiff,
)
from pyproj import Transformer

from siteplanner.gather.area import Area
from siteplanner.gather.heights import heights, tile_name
from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.services import SHIPPED

AREA = Area(outline())
TILE = "Copernicus_DSM_COG_10_S43_00_E160_00_DEM"
COARSE = "Copernicus_DSM_COG_30_S43_00_E160_00_DEM"


def written(found, folder):
    found.write(folder / "h.tif")
    with rasterio.open(folder / "h.tif") as file:
        return file.read(1, masked=True).astype(float).filled(np.nan), file.transform, file.tags()


def at_property(found, folder):
    values, transform, _ = written(found, folder)
    column, row = (int(v) for v in ~transform @ (LON, LAT))
    return float(values[row, column])


def test_bare_earth_is_read_wider_than_the_fence_and_checked_by_the_surface(
    fake, services, door, tmp_path
):
    """Metres in the file, whose own scale of a tenth is wrong: it is not followed."""
    put_heights(fake, services)
    found = heights(door, services, AREA)
    values, transform, tags = written(found, tmp_path)
    assert found.service.service == services.gedtm30.service and not found.notes
    assert abs(at_property(found, tmp_path) - hill(LON, LAT)) < 1
    west, north = transform.c, transform.f
    assert west < AREA.box[0] - 0.015 and north > AREA.box[3] + 0.013
    assert tags["credit"] == services.gedtm30.credit and tags["vertical_datum"] == "EGM2008"
    assert "some trees remain" in found.how_sure and np.isfinite(values).all()


def test_whole_decimetres_of_the_earlier_version_become_metres(fake, services, door, tmp_path):
    put_heights(fake, services)
    none = -2147483647
    fake.files[path_of(services.gedtm30.address[0])] = height_tile("int32", 10.0, nodata=none)
    assert abs(at_property(heights(door, services, AREA), tmp_path) - hill(LON, LAT)) < 1


def test_the_second_address_is_tried_where_the_first_has_nothing(fake, services, door):
    put_heights(fake, services)
    fake.files[path_of(services.gedtm30.address[1])] = fake.files.pop(
        path_of(services.gedtm30.address[0])
    )
    found = heights(door, services, AREA)
    assert found.address.endswith(path_of(services.gedtm30.address[1]))


@pytest.mark.parametrize(("factor", "refused"), [(10.0, True), (1.0, False)])
def test_models_that_do_not_agree_are_both_refused(fake, services, door, factor, refused):
    put_heights(fake, services)
    fake.files[path_of(services.gedtm30.address[0])] = height_tile(factor=factor)
    if not refused:
        heights(door, services, AREA)
        return
    with pytest.raises(ServiceError, match=r"differ by \d+ m .* neither is believed"):
        heights(door, services, AREA)


def test_the_surface_alone_comes_with_its_caution(fake, services, door, tmp_path):
    put_heights(fake, services)
    fake.always[path_of(services.gedtm30.address[0])] = Said(503)
    found = heights(door, services, AREA)
    assert found.service.service == services.glo30.service
    assert "trees and roofs are in it" in found.how_sure and "shelterbelt" in found.how_sure
    assert abs(at_property(found, tmp_path) - hill(LON, LAT) - 3) < 1
    assert any("GEDTM30" in note and "status 503" in note for note in found.notes)


def test_bare_earth_alone_is_said_not_to_be_checked(fake, services, door):
    put_heights(fake, services)
    del fake.files[glo30_path(services, TILE)]
    found = heights(door, services, AREA)
    assert "could not be compared" in found.how_sure
    assert any("Copernicus" in note for note in found.notes)


def test_where_both_fail_the_gap_has_both_reasons(fake, services, door):
    fake.always[glo30_path(services, TILE)] = Said(504, b"<html>")
    with pytest.raises(ServiceError) as caught:
        heights(door, services, AREA)
    assert "nothing at this address" in str(caught.value) and "status 504" in str(caught.value)


@pytest.mark.parametrize(
    ("lat", "lon", "name"),
    [
        (-42.05, 147.30, "Copernicus_DSM_COG_10_S43_00_E147_00_DEM"),
        (-1.01, -1.01, "Copernicus_DSM_COG_10_S02_00_W002_00_DEM"),
        (0.5, 0.5, "Copernicus_DSM_COG_10_N00_00_E000_00_DEM"),
    ],
)
def test_a_tile_is_named_by_its_south_west_corner(lat, lon, name):
    assert tile_name(int(np.floor(lat)), int(np.floor(lon))) == name


def surface_only(fake, **more):
    return services_of(fake, heights={"use": ["glo30"], "margin_m": [1500.0], **more})


def near_edge(lon, lat, half=0.002):
    return Area(shapely.box(lon - half, lat - half, lon + half, lat + half))


def half_tile(lon0, lat0, wide=0.04, columns=144, rows=144, level=100.0):
    """Cells from a corner eastwards and northwards, half a cell off whole degrees."""
    x, y = wide / columns, wide / rows
    transform = Affine(x, 0, lon0 - x / 2, 0, -y, lat0 + wide + y / 2)
    return tiff(np.full((rows, columns), level, np.float32), transform, "EPSG:4326")


def test_a_property_on_the_edge_of_tiles_gets_both_joined(fake, tmp_path):
    services = surface_only(fake)
    west, east = (tile_name(-43, lon) for lon in (159, 160))
    fake.files[glo30_path(services, west)] = half_tile(159.96, -42.07, level=100.0)
    fake.files[glo30_path(services, east)] = half_tile(160.0, -42.07, level=140.0)
    found = heights(door_of(services), services, near_edge(160.0, -42.05))
    values, transform, _ = written(found, tmp_path)
    columns = ~transform @ (159.999, -42.05), ~transform @ (160.001, -42.05)
    assert [values[int(row), int(column)] for column, row in columns] == [100.0, 140.0]
    assert np.isfinite(values).mean() > 0.95


def test_north_of_fifty_degrees_cells_are_wider_and_tiles_still_join(fake, tmp_path):
    """A step of 1.5 arc-seconds north of 50°, of one south of it."""
    services = surface_only(fake)
    south, north = (tile_name(lat, 160) for lat in (49, 50))
    fake.files[glo30_path(services, south)] = half_tile(160.48, 49.96, level=100.0)
    fake.files[glo30_path(services, north)] = half_tile(160.48, 50.0, columns=96, level=140.0)
    found = heights(door_of(services), services, near_edge(160.5, 50.0))
    values, transform, _ = written(found, tmp_path)
    rows = ~transform @ (160.5, 49.995), ~transform @ (160.5, 50.005)
    assert [values[int(row), int(column)] for column, row in rows] == [100.0, 140.0]


def test_a_missing_tile_beside_the_property_is_sea_where_the_coarse_one_misses_too(fake, tmp_path):
    services = surface_only(fake)
    fake.files[glo30_path(services, tile_name(-43, 160))] = half_tile(160.0, -42.07)
    area = near_edge(160.005, -42.05)
    found = heights(door_of(services), services, area)
    values, transform, _ = written(found, tmp_path)
    column, row = ~transform @ (160.001, -42.05)
    assert values[int(row), int(column)] == 100.0
    assert 0.0 not in values  # the sea lies beyond what was joined, and nothing was made up
    # With land in the coarse model the tile is withheld, and the coarse one is read.
    coarse = path_of(services.glo30.land.replace("{name}", tile_name(-43, 159, 30)))
    fake.files[coarse] = half_tile(159.96, -42.07, columns=48, rows=48, level=60.0)
    found = heights(door_of(services), services, area)
    values, transform, _ = written(found, tmp_path)
    column, row = ~transform @ (159.998, -42.05)
    assert values[int(row), int(column)] == 60.0


def test_sea_between_land_is_at_nought_metres(fake, tmp_path):
    """Land west and east, a strip of sea in the tile between whose cells nobody has."""
    services = surface_only(fake, margin_m=[1500.0])
    area = near_edge(160.99, -42.005)
    fake.files[glo30_path(services, tile_name(-43, 160))] = half_tile(160.96, -42.04)
    fake.files[glo30_path(services, tile_name(-42, 161))] = half_tile(161.0, -42.0)
    found = heights(door_of(services), services, area)
    values, transform, _ = written(found, tmp_path)
    for (lon, lat), height in {
        (160.99, -42.005): 100.0, (161.004, -41.996): 100.0, (161.004, -42.005): 0.0,
        (160.99, -41.99): 0.0,
    }.items():  # fmt: skip
        column, row = ~transform @ (lon, lat)
        assert values[int(row), int(column)] == height, (lon, lat)


def test_half_a_property_in_a_tile_that_is_missing_is_not_put_at_sea_level(fake):
    services = surface_only(fake)
    fake.files[glo30_path(services, tile_name(-43, 160))] = half_tile(160.0, -42.07)
    with pytest.raises(ServiceError, match="no land here"):
        heights(door_of(services), services, near_edge(160.0, -42.05))


def test_a_property_whose_tile_is_missing_is_a_gap_and_not_the_sea(fake):
    services = surface_only(fake)
    with pytest.raises(ServiceError, match="no land here"):
        heights(door_of(services), services, AREA)
    fake.always[glo30_path(services, TILE)] = Said(503)  # busy is not missing
    with pytest.raises(ServiceError, match="status 503"):
        heights(door_of(services), services, AREA)
    path = path_of(services.glo30.land.replace("{name}", COARSE))
    assert path not in fake.paths()[-4:]


def nation(fake, way, **more):
    """Services of one country around the property, whose cells are of 10 m."""
    shipped = tomllib.loads(SHIPPED.read_text("utf-8"))["national"][0]
    one = shipped | {
        "service": "Spray Holm survey", "bounds": [155.0, -45.0, 165.0, -40.0], "way": way,
        "cell_m": 10.0, "only": "", "address": f"{fake.root}/survey", "crs": "EPSG:32757",
        "coverage": "dtm", "datum": "its own",
    } | more  # fmt: skip
    return services_of(fake, national=[one], heights={"margin_m": [1500.0, 400.0]})


@functools.cache
def lidar(half=2500.0, cell=10.0, west=0.0, crs="EPSG:32757"):
    """Heights about the property 20 m above the models of the world, in metres east and north."""
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(LON, LAT)
    cells = int(2 * half / cell)
    transform = Affine(cell, 0, x - half + west, 0, -cell, y + half)
    columns, rows = np.meshgrid(np.arange(cells) + 0.5, np.arange(cells) + 0.5)
    back = Transformer.from_crs(crs, 4326, always_xy=True)
    lon, lat = back.transform(*(transform @ np.array([columns.ravel(), rows.ravel()])))
    values = hill(np.array(lon), np.array(lat)).reshape(cells, cells) + 20
    return tiff(values.astype(np.float32), transform, crs)


def national_at(found, folder):
    values, transform, _ = written(found, folder)
    x, y = Transformer.from_crs(4326, 32757, always_xy=True).transform(LON, LAT)
    column, row = ~transform @ (x, y)
    return float(values[int(row), int(column)])


def test_a_country_s_own_raster_goes_before_the_world_s(fake, tmp_path):
    services = nation(fake, "cog")
    put_heights(fake, services)
    fake.files["/survey"] = lidar()
    found = heights(door_of(services), services, AREA)
    assert found.service.service == "Spray Holm survey" and "its own" in found.how_sure
    assert abs(national_at(found, tmp_path) - hill(LON, LAT) - 20) < 1
    assert {path for path in fake.paths()} == {"/survey"}


def test_a_survey_that_covers_half_the_property_is_not_mixed_with_another(fake):
    services = nation(fake, "cog")
    put_heights(fake, services)
    fake.files["/survey"] = lidar(west=2500.0)
    found = heights(door_of(services), services, AREA)
    assert found.service.service == services.gedtm30.service
    assert "of the property only" in found.notes[0] and "may exist" not in found.better


def test_a_survey_that_is_out_of_order_is_named_as_what_would_be_better(fake):
    services = nation(fake, "wcs1")
    put_heights(fake, services)
    fake.always["/survey"] = Said(200, b"<ServiceException>Firewall</ServiceException>")
    found = heights(door_of(services), services, AREA)
    assert found.service.service == services.gedtm30.service
    assert "national heights may exist here" in found.better and "Firewall" in found.notes[0]


@pytest.mark.parametrize("way", ["wcs1", "wcs2"])
def test_a_coverage_is_asked_for_by_a_box_and_checked_to_be_a_picture(fake, tmp_path, way):
    services = nation(fake, way)
    fake.files["/survey"] = lidar()
    found = heights(door_of(services), services, AREA)
    assert abs(national_at(found, tmp_path) - hill(LON, LAT) - 20) < 1
    [path] = fake.paths()
    if way == "wcs1":
        assert "version=1.0.0" in path and "bbox=160.28,-42.07,160.33,-42.03" in path
    else:
        assert "SUBSET=E(" in path and "SUBSET=N(" in path and "COVERAGEID=dtm" in path
    for refused in (NOT_FOUND, b"II*\0 and no more"):
        fake.always["/survey"] = Said(200, refused)
        with pytest.raises(ServiceError, match="Spray Holm survey: it"):
            heights(door_of(services), services, AREA)


def item(href, box):
    return {"type": "Feature", "bbox": list(box), "assets": {"visual": {"href": href}}}


def test_a_catalogue_is_looked_through_for_the_files_that_meet_the_property(fake, tmp_path):
    services = nation(fake, "stac", only="dem_1m")
    box, away = (160.2, -42.1, 160.4, -42.0), (10.0, 50.0, 11.0, 51.0)
    links = [
        {"rel": "child", "href": f"./{name}/collection.json"}
        for name in ("holm/dem_1m", "away/dem_1m", "holm/dsm_1m")
    ]
    fake.files["/survey"] = json.dumps({"type": "Catalog", "links": links}).encode()
    for name, bounds in (("holm", box), ("away", away)):
        collection = {
            "type": "Collection", "extent": {"spatial": {"bbox": [list(bounds)]}},
            "links": [{"rel": "item", "href": "./a.json"}, {"rel": "self", "href": "./b.json"}],
        }  # fmt: skip
        fake.files[f"/{name}/dem_1m/collection.json"] = json.dumps(collection).encode()
    fake.files["/holm/dem_1m/a.json"] = json.dumps(item("./a.tiff", box)).encode()
    fake.files["/holm/dem_1m/a.tiff"] = lidar()
    found = heights(door_of(services), services, AREA)
    assert abs(national_at(found, tmp_path) - hill(LON, LAT) - 20) < 1
    assert not [path for path in fake.paths() if "dsm" in path or "away/dem_1m/a" in path]


@pytest.mark.parametrize("way", ["stac", "tnm"])
def test_a_list_of_files_is_joined_and_leads_to_no_other_host(fake, tmp_path, way):
    box = "{west},{south},{east},{north}"
    services = nation(fake, way, address=f"{fake.root}/survey?bbox={box}")

    def listed(*hrefs):
        if way == "tnm":
            return json.dumps({"items": [{"downloadURL": href} for href in hrefs]}).encode()
        box = (160.2, -42.1, 160.4, -42.0)
        features = [item(href, box) for href in hrefs]
        return json.dumps({"type": "FeatureCollection", "features": features}).encode()

    fake.files["/survey"] = listed(f"{fake.root}/w.tif", f"{fake.root}/e.tif")
    fake.files["/w.tif"], fake.files["/e.tif"] = lidar(west=-2500.0), lidar(west=2500.0)
    found = heights(door_of(services), services, AREA)
    values, _, _ = written(found, tmp_path)
    assert abs(national_at(found, tmp_path) - hill(LON, LAT) - 20) < 1
    assert np.isfinite(values).mean() > 0.95
    assert "bbox=160.28,-42.07,160.33,-42.03" in fake.paths()[0]
    fake.files["/survey"] = listed("https://elsewhere.example/t.tif")
    with pytest.raises(ServiceError, match="another host"):
        heights(door_of(services), services, AREA)
