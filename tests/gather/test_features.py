"""What to keep clear of: kinds, shapes that run past the box, and answers that are none."""

import json
from urllib.parse import parse_qs

import pyogrio
import pytest
import shapely
from gather.fake_services import (
    Said,
    elements,
    line,
    outline,
    path_of,
    put_features,
)

from siteplanner.gather.area import Area
from siteplanner.gather.features import features, kind_of, mapped
from siteplanner.gather.net.faults import ServiceError
from siteplanner.site.planting import Setbacks

AREA = Area(outline())
BOX = AREA.around(150)


def frame_of(*made):
    return mapped(made, BOX)[0]


def test_every_kind_is_one_that_the_plan_keeps_clear_of(fake, services, door, tmp_path):
    put_features(fake, services)
    found = features(door, services, AREA)
    found.write(tmp_path / "f.gpkg")
    kinds = {}
    for name in pyogrio.list_layers(tmp_path / "f.gpkg")[:, 0]:
        for row in pyogrio.read_dataframe(tmp_path / "f.gpkg", layer=name).itertuples():
            kinds.setdefault(name, set()).add((row.kind, row.name))
    assert kinds == {
        "areas": {("building", "Wrack Cottage"), ("dam", "water")},
        "lines": {
            ("power_line", "minor line"), ("track", "track"), ("waterway", "stream"),
            ("buried_pipe", "pipeline"),
        },
        "points": {("power_line", "pole")},
    }  # fmt: skip
    known = set(Setbacks.model_fields)
    assert {kind for layer in kinds.values() for kind, _ in layer} <= known
    assert found.service.credit == "© OpenStreetMap contributors, ODbL"
    assert "fences and buried lines are mostly not in" in found.notes[0]
    assert "1 things of other kinds" in found.notes[1]


def test_what_is_sent_is_a_rounded_box_and_nothing_else(fake, services, door):
    put_features(fake, services)
    features(door, services, AREA)
    [asked] = fake.asked
    [query] = parse_qs(asked.body.decode())["data"]
    assert query.startswith("[out:json][timeout:60][bbox:-42.06,160.3,-42.04,160.31];")
    assert asked.method == "POST" and "siteplanner" in asked.headers["User-Agent"]
    west, south, east, north = AREA.box
    assert west >= 160.3 and east <= 160.31 and south >= -42.06 and north <= -42.04


def test_shapes_are_cut_to_the_box_and_a_relation_keeps_its_hole():
    frame = frame_of(*elements())
    box = shapely.box(*BOX).buffer(1e-9)
    assert frame.geometry.within(box).all()
    [water] = frame.geometry[frame["kind"] == "dam"]
    island, ring = (shapely.Point(line((x, y))[0]["lon"], line((x, y))[0]["lat"])
                    for x, y in ((-135, -140), (-115, -155)))  # fmt: skip
    assert not water.covers(island) and water.covers(ring)


def test_a_ring_that_does_not_close_is_still_there():
    broken = {
        "type": "relation", "tags": {"natural": "water"},
        "members": [{"type": "way", "role": "outer", "geometry": [*line((0, 0), (9, 0)), None]}],
    }  # fmt: skip
    frame = frame_of(broken)
    assert frame["kind"].tolist() == ["dam"] and frame.geom_type[0].endswith("LineString")


@pytest.mark.parametrize(
    ("tags", "kind"),
    [
        ({"power": "cable"}, "buried_cable"),
        ({"power": "line", "location": "underground"}, "buried_cable"),
        ({"power": "substation"}, "power_line"),
        ({"building": "no", "highway": "service"}, "track"),
        ({"highway": "primary"}, "track"),
        ({"railway": "rail"}, "other"),
        ({"waterway": "dam"}, "dam_wall"),
        ({"waterway": "ditch"}, "waterway"),
        ({"natural": "wetland"}, "waterway"),
        ({"barrier": "hedge"}, "fence"),
        ({"man_made": "storage_tank"}, "other"),
        ({"man_made": "water_well"}, "other"),
        ({"barrier": "gate"}, None),
        ({"natural": "tree"}, None),
        ({}, None),
    ],
)
def test_kinds(tags, kind):
    assert kind_of(tags) == kind


def test_time_run_out_is_not_nothing_there(fake, services, door):
    """Status 200, no elements, and a remark."""
    remark = 'runtime error: Query timed out in "query" at line 2 after 61 seconds.'
    put_features(fake, services, elements=[], remark=remark)
    with pytest.raises(ServiceError, match=r"did not finish .*timed out"):
        features(door, services, AREA)
    put_features(fake, services, elements=[])
    assert features(door, services, AREA) is None


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (Said(406, b"Not Acceptable"), "status 406"),
        (Said(400, b"<html><p>Error: line 1: parse error</p></html>"), "status 400"),
        (Said(504, b"<html>timeout</html>"), "status 504"),
        (Said(200, b"<html><p>runtime error</p></html>"), "runtime error"),
        (Said(200, json.dumps({"elements": None}).encode()), "not what was asked"),
    ],
)
def test_an_answer_that_is_none_leaves_a_gap(fake, services, door, said, words):
    fake.always[path_of(services.overpass.address)] = said
    with pytest.raises(ServiceError, match=words):
        features(door, services, AREA)


def test_too_many_requests_are_waited_out_for_half_a_minute(fake, services, door, clock):
    put_features(fake, services)
    fake.fail(path_of(services.overpass.address), Said(429, b"<html>rate_limited</html>"))
    assert features(door, services, AREA) is not None
    assert clock.waited == [30.0]
