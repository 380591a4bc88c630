"""Soil hints: texture by the triangle, what else could be, and nothing that is not known."""

import json
from datetime import date

import numpy as np
import pyogrio
import pytest
import shapely
from gather.fake_services import (
    IGH,
    NOT_FOUND,
    SOIL,
    Said,
    door_of,
    outline,
    path_of,
    put_depth,
    put_soils,
    services_of,
    soil_grid,
    tiff,
)

from siteplanner.base.soil_classes import TEXTURE_CLASSES, texture_class_of
from siteplanner.gather.area import Area, in_words
from siteplanner.gather.net.faults import ServiceError
from siteplanner.gather.soils import soils

AREA = Area(outline())


def written(found, folder):
    found.write(folder / "s.gpkg")
    return pyogrio.read_dataframe(folder / "s.gpkg")


def layer(services, name, depth="5-15cm", value="mean"):
    address = services.soilgrids.address
    for word, text in (("property", name), ("depth", depth), ("value", value)):
        address = address.replace(f"{{{word}}}", text)
    folder, file = path_of(address).rsplit("/", 1)
    return f"{folder}/tiles/{file.removesuffix('.vrt')}.tif"


def test_shares_that_do_not_add_up_are_scaled_and_classed_by_the_triangle(
    fake, services, door, tmp_path
):
    """28 + 38 + 31 = 97 %: as 100 %, 39 % sand and 29 % clay, a clay loam (USDA Handbook 18)."""
    put_soils(fake, services)
    put_depth(fake, services)
    frame = written(soils(door, services, AREA), tmp_path)
    sand, silt, clay = (100 * SOIL[n][0] / 970 for n in ("sand", "silt", "clay"))
    assert TEXTURE_CLASSES[int(texture_class_of([sand], [silt], [clay])[0])] == "clay loam"
    plain = frame[np.isclose(frame["ph"], 5.8)].iloc[0]
    assert plain["texture"] == "clay loam"
    assert plain["could_be"] == "sandy loam, clay"  # 15 and 60 %, 42 and 20 % of clay and sand
    assert (plain["ph_low"], plain["ph_high"]) == (5.2, 6.5)
    assert (plain["stones_low"], plain["stones_percent"], plain["stones_high"]) == (5, 12, 25)
    assert frame["drainage"].isna().all() and (frame["known_by"] == "modelled").all()
    assert frame["depth_m"].tolist() == [1.5] * len(frame)
    whole = frame.union_all()
    areas = shapely.area(frame.geometry.to_numpy())
    assert whole.covers(AREA.outline) and whole.area == pytest.approx(areas.sum())


@pytest.mark.usefixtures("at_once")
def test_depth_beyond_what_the_model_tells_is_only_that_deep_or_deeper(
    fake, services, door, tmp_path
):
    put_soils(fake, services)
    put_depth(fake, services, centimetres=700)
    found = soils(door, services, AREA)
    assert written(found, tmp_path)["depth_m"].tolist() == [2.0, 2.0]
    assert "2 m means that deep or deeper" in " ".join(found.notes)
    assert "share alike" in found.service.licence


@pytest.mark.usefixtures("at_once")
def test_without_a_depth_it_stays_unknown_and_the_rest_is_there(fake, services, door, tmp_path):
    put_soils(fake, services)
    found = soils(door, services, AREA)
    assert written(found, tmp_path)["depth_m"].isna().all()
    assert any("Soil depth" in note and "nothing at this address" in note for note in found.notes)


def with_hole(fake, services, hole):
    transform, shape = soil_grid()
    for name, numbers in SOIL.items():
        for depth in ("0-5cm", "5-15cm", "15-30cm"):
            values = np.full(shape, numbers[0], np.int16)
            values[hole] = -32768
            fake.files[layer(services, name, depth)] = tiff(values, transform, IGH, nodata=-32768)


@pytest.mark.usefixtures("at_once")
def test_a_town_takes_the_nearest_soil_within_a_kilometre_and_says_so(
    fake, services, door, tmp_path
):
    put_soils(fake, services)
    with_hole(fake, services, np.s_[18:23, 18:22])
    found = soils(door, services, AREA)
    frame = written(found, tmp_path)
    assert frame["texture"].notna().all()
    assert any("have no soil in the model" in note for note in found.notes)


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize(
    "hole", [np.s_[14:27, 14:27], pytest.param(np.s_[:, :], marks=pytest.mark.long)]
)
def test_where_there_is_no_soil_near_the_gap_is_named(fake, services, door, hole):
    put_soils(fake, services)
    with_hole(fake, services, hole)
    with pytest.raises(ServiceError, match=r"no soil within 1000 m"):
        soils(door, services, AREA)


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize("factor", [10, pytest.param(0.1, marks=pytest.mark.long)])
def test_a_changed_unit_is_refused_and_not_believed(fake, services, door, factor):
    changed = {n: tuple(int(v * factor) for v in numbers) for n, numbers in SOIL.items()}
    put_soils(fake, services, changed)
    with pytest.raises(ServiceError, match="add up to"):
        soils(door, services, AREA)


def test_the_coverage_service_stands_in_for_files_that_are_out_of_order(fake, services, door):
    put_soils(fake, services)
    transform, shape = soil_grid()
    for name, numbers in SOIL.items():
        fake.always[layer(services, name).replace("/tiles/", "/").replace(".tif", ".vrt")] = Said(
            504, b"<html>504 Gateway Time-out</html>"
        )
        for depth in ("0-5cm", "5-15cm", "15-30cm"):
            for value, number in zip(("mean", "Q0.05", "Q0.95"), numbers, strict=True):
                wanted = f"COVERAGEID={name}_{depth}_{value}&"
                fake.files[wanted] = tiff(np.full(shape, number, np.int16), transform, IGH)
    usual = fake._answer

    def by_coverage(handler):
        asked = handler.path if "COVERAGEID" in handler.path else ""
        found = [body for wanted, body in fake.files.items() if wanted in asked]
        return fake._send(handler, Said(200, found[0])) if found else usual(handler)

    fake._answer = by_coverage
    found = soils(door, services, AREA)
    assert "by WCS" in found.service.service
    assert any("status 504" in note for note in found.notes)
    assert (fake.root[7:], f"a box, {in_words(AREA.around(1000))}") in door.sent


def test_an_error_with_status_200_is_no_soil(fake):
    services = services_of(fake, soils={"use": ["soilgrids_wcs"]})
    error = b"<?xml version='1.0'?><ExceptionText>msDrawMap(): failed</ExceptionText>"
    fake.always[path_of(services.soilgrids_wcs.address)] = Said(200, error)
    with pytest.raises(ServiceError, match=r"msDrawMap\(\): failed"):
        soils(door_of(services), services, AREA)
    fake.always[path_of(services.soilgrids_wcs.address)] = Said(404, NOT_FOUND)
    with pytest.raises(ServiceError, match="nothing at this address"):
        soils(door_of(services), services, AREA)


@pytest.mark.usefixtures("at_once")
def test_the_day_and_the_words_to_print_come_with_it(fake, services, door):
    put_soils(fake, services)
    found = soils(door, services, AREA)
    assert date.fromisoformat(found.on) == date(2026, 11, 28)
    assert "ISRIC" in found.service.credit and "no survey" in found.how_sure
    assert json.dumps(found.settings) == "{}"
