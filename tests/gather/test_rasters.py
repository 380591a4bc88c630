"""Rasters read by byte ranges through the door: the part alone, and every fault named."""

from datetime import date

import numpy as np
import pytest
from affine import Affine
from gather.fake_services import (
    IGH,
    LAT,
    LON,
    NOT_FOUND,
    Said,
    door_of,
    height_tile,
    hill,
    services_of,
    tiff,
    vrt,
)
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from siteplanner.gather.net.faults import AbsentError, Answer, ServiceError
from siteplanner.gather.net.rasters import joined, must_be_tiff, read_answer, read_cog
from siteplanner.gather.net.virtual import read_vrt

BOX = (LON - 0.011, LAT - 0.012, LON + 0.013, LAT + 0.01)
MANY = 10_000_000


@pytest.fixture(scope="module")
def tile():
    return height_tile()


def centres(patch):
    rows, columns = np.indices(patch.values.shape)
    return patch.transform @ np.array([columns.ravel() + 0.5, rows.ravel() + 0.5])


def test_only_the_part_is_fetched_and_it_is_the_right_one(fake, door, tile):
    fake.files["/t.tif"] = tile
    patch = read_cog(door, f"{fake.root}/t.tif", BOX, MANY)
    assert np.allclose(patch.values.ravel(), hill(*centres(patch)), atol=1e-3)
    west, south, east, north = patch.bounds
    assert west <= BOX[0] < west + 1 / 3600 and north - 1 / 3600 < BOX[3] <= north
    assert south <= BOX[1] and east >= BOX[2]
    methods = [one.method for one in fake.asked]
    assert methods[0] == "HEAD" and set(methods[1:]) == {"GET"}
    assert all("Range" in one.headers for one in fake.asked[1:])
    spans = [one.headers["Range"][6:].split("-") for one in fake.asked[1:]]
    fetched = sum(int(last) - int(first) + 1 for first, last in spans)
    assert fetched < len(tile), "the whole file was fetched"


def test_a_large_part_is_averaged_to_fewer_cells(fake, door, tile):
    fake.files["/t.tif"] = tile
    fine = read_cog(door, f"{fake.root}/t.tif", BOX, MANY)
    coarse = read_cog(door, f"{fake.root}/t.tif", BOX, fine.values.size // 4)
    assert coarse.values.size <= fine.values.size // 4 + sum(fine.values.shape)
    assert np.allclose(coarse.bounds, fine.bounds)
    assert abs(coarse.values.mean() - fine.values.mean()) < 0.2


def test_faults_of_the_line_are_waited_out(fake, door, clock, tile):
    fake.files["/t.tif"] = tile
    fake.fail("/t.tif", Said(503), Said(503))
    sane = read_cog(door, f"{fake.root}/t.tif", BOX, MANY)
    assert clock.waited == [2.0, 4.0]
    fake.asked.clear()
    usual = fake._answer
    cut = iter([True])

    def once_cut(handler):
        if "Range" in handler.headers and next(cut, False):
            return fake._send(handler, Said(206, bytes(65_536), {"Content-Range": "x"}, cut=99))
        return usual(handler)

    fake._answer = once_cut
    again = read_cog(door, f"{fake.root}/t.tif", BOX, MANY)
    assert np.array_equal(sane.values, again.values) and clock.waited[2:] == [2.0]


def test_faults_that_stay_are_named_and_nothing_is_invented(fake, services, door, tile):
    address = f"{fake.root}/t.tif"
    with pytest.raises(AbsentError):
        read_cog(door, address, BOX, MANY)
    fake.files["/t.tif"] = NOT_FOUND * 10
    with pytest.raises(ServiceError, match="no GeoTIFF"):
        read_cog(door, address, BOX, MANY)
    fake.files["/t.tif"] = tile
    with pytest.raises(AbsentError, match="nothing here"):
        read_cog(door, address, (LON + 5, LAT, LON + 5.1, LAT + 0.1), MANY)
    fake.ranges = False
    with pytest.raises(ServiceError, match="by parts"):
        read_cog(door_of(services), address, BOX, MANY)
    fake.ranges = True
    small = services_of(fake, manners={"most_mb": 0.1})
    with pytest.raises(ServiceError, match=r"more than 0.1 MB"):
        read_cog(door_of(small), address, BOX, MANY)


def test_a_line_that_breaks_in_the_middle_gives_no_half_raster(fake, services, tile):
    fake.files["/t.tif"] = tile
    usual, seen = fake._answer, []

    def dies_later(handler):
        seen.append(handler.headers.get("Range"))
        if len(seen) > 2:
            return fake._send(handler, Said(503))
        return usual(handler)

    fake._answer = dies_later
    with pytest.raises(ServiceError, match="busy or out of order"):
        read_cog(door_of(services), f"{fake.root}/t.tif", BOX, MANY)
    assert len(seen) > 2


def test_a_file_that_changes_while_it_is_read_is_refused(fake, door, tile):
    fake.files["/t.tif"] = tile
    usual = fake._answer

    def another(handler):
        if "Range" in handler.headers:
            fake.files["/t.tif"] = tile + b"x"
        return usual(handler)

    fake._answer = another
    with pytest.raises(ServiceError, match="changed while it was read"):
        read_cog(door, f"{fake.root}/t.tif", BOX, MANY)


def test_who_stops_the_program_while_a_driver_reads_is_heard(fake, door, tile, monkeypatch):
    """A driver would take it for the end of the file, and go on."""

    class StoppedError(BaseException):
        pass

    fake.files["/t.tif"] = tile
    part = door.part

    def stopped(address, first, *more, **named):
        if first > 0:
            raise StoppedError
        return part(address, first, *more, **named)

    monkeypatch.setattr(door, "part", stopped)
    with pytest.raises(StoppedError):
        read_cog(door, f"{fake.root}/t.tif", BOX, MANY)


def igh_tile(seed=1):
    x, y = Transformer.from_crs(4326, IGH, always_xy=True).transform(LON, LAT)
    transform = Affine(250, 0, round(x / 250) * 250 - 5000, 0, -250, round(y / 250) * 250 + 5000)
    values = np.random.default_rng(seed).integers(100, 400, (40, 40)).astype(np.int16)
    return transform, values


def test_a_virtual_raster_is_read_tile_by_tile_by_relative_names(fake, door):
    transform, values = igh_tile()
    values[20, 21] = -32768
    fake.files["/d/clay.vrt"] = vrt(transform, (40, 40), "clay/one.tif")
    fake.files["/d/clay/one.tif"] = tiff(values, transform, IGH, nodata=-32768)
    patch = read_vrt(door, f"{fake.root}/d/clay.vrt", BOX, MANY)
    column, row = (round(v) for v in ~transform @ (patch.transform.c, patch.transform.f))
    there = values[row : row + patch.values.shape[0], column : column + patch.values.shape[1]]
    assert np.array_equal(np.nan_to_num(patch.values, nan=-32768), there)
    assert np.isnan(patch.values).sum() == 1


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (NOT_FOUND, "No such key"),
        (b"<html>504 Gateway Time-out</html>", "504 Gateway"),
        (b"<VRTDataset>", "cannot be understood"),
        (b"<!DOCTYPE a [<!ENTITY b 'c'>]><VRTDataset/>", "error"),
    ],
)
def test_a_list_of_tiles_that_is_none_is_refused(fake, door, body, words):
    fake.files["/d/clay.vrt"] = body
    with pytest.raises(ServiceError, match=words):
        read_vrt(door, f"{fake.root}/d/clay.vrt", BOX, MANY)


@pytest.mark.parametrize(
    "tile", ["/etc/passwd", "https://elsewhere.example/t.tif", "/vsicurl/http://10.0.0.1/t.tif"]
)
def test_a_list_of_tiles_leads_to_no_other_place(fake, door, tile):
    transform, _ = igh_tile()
    fake.files["/d/clay.vrt"] = vrt(transform, (40, 40), tile, relative=0)
    with pytest.raises(ServiceError, match=r"another place|nothing at this address"):
        read_vrt(door, f"{fake.root}/d/clay.vrt", BOX, MANY)
    assert {one.path for one in fake.asked} <= {"/d/clay.vrt", "/etc/passwd"}


def test_an_error_that_came_as_a_picture_is_refused():
    answer = Answer(200, {}, b"<ServiceException>Layer not found</ServiceException>", "", None)
    with pytest.raises(ServiceError, match="Layer not found"):
        must_be_tiff(answer)


@given(st.integers(3, 30), st.integers(1, 29))
def test_tiles_side_by_side_make_the_raster_they_were_cut_from(columns, at):
    at = min(at, columns - 1)
    values = np.arange(5 * columns, dtype=np.float64).reshape(5, columns)
    transform = Affine(1, 0, 500_000, 0, -1, 5_300_000)

    def patch(first, last):
        made = tiff(values[:, first:last], transform @ Affine.translation(first, 0), "EPSG:32757")
        return read_answer(Answer(200, {}, made, "", date(2026, 1, 1)))

    whole = joined([patch(at, columns), patch(0, at)])
    assert np.array_equal(whole.values, values) and whole.transform == transform
