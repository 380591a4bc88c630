"""Malformed GeoJSON of others: each file is read rightly or refused in one sentence."""

import pytest
from shared_data import shared

from siteplanner.base.errors import InputError
from siteplanner.reading.files.features import ANY, read_features

UNREADABLE = "cannot be read as geodata"
#: What has to come of each file: how many shapes there are, or what is said.
EXPECTED = {
    "invalid_exterior_not_ccw": 1,
    "invalid_feature_id_type": 1,
    "invalid_feature_properties_is_array": "no features",
    "invalid_feature_wrong_geometry_key": "no features",
    "invalid_featurecollection_features_is_object": UNREADABLE,
    "invalid_featurecollection_nulltype": UNREADABLE,
    "invalid_featurecollection_unknown_type": UNREADABLE,
    "invalid_geometry_bbox_not_list": 1,
    "invalid_geometry_coordinates_1d": UNREADABLE,
    "invalid_geometry_coordinates_missing": UNREADABLE,
    "invalid_geometry_depth_deep_point": UNREADABLE,
    "invalid_geometry_depth_shallow_linestring": UNREADABLE,
    "invalid_geometry_depth_shallow_polygon": UNREADABLE,
    "invalid_geometry_mislabeled_point": "no features",
    "invalid_geometry_wrong_geometry_type": UNREADABLE,
    "invalid_interior_not_cw": 1,
    "invalid_unclosed": 1,
    "problematic_4d_coordinates": 1,
    "problematic_crs_defined": 1,
    "problematic_excessive_coordinate_precision": 1,
    "problematic_feature_null_geometry": "no features",
    "problematic_geometrycollection_single": 1,
    "problematic_inner_and_exterior_ring_intersect": 1,
    "problematic_nested_geometrycollection": 3,
    "problematic_self_intersection_large": 1,
    "problematic_wrong_bbox_coordinate_order": 1,
    "valid_feature": 1,
    "valid_feature_null_properties": 1,
    "valid_feature_with_id": 1,
    "valid_featurecollection": 1,
    "valid_featurecollection_empty_features": "no features",
    "valid_featurecollection_with_geometrycollection": 2,
    "valid_geometry_3d_coordinates": 1,
    "valid_geometry_geometrycollection": 2,
    "valid_geometry_linestring": 1,
    "valid_geometry_multipoint": 1,
    "valid_geometry_point": 1,
}


def test_every_file_is_looked_at():
    assert {path.stem for path in shared("bad_geojson").glob("*.geojson")} == set(EXPECTED)


@pytest.mark.parametrize("name", EXPECTED)
@pytest.mark.filterwarnings("error")
def test_it_is_read_or_refused_in_one_sentence(name):
    path = shared(f"bad_geojson/{name}.geojson")
    expected = EXPECTED[name]
    if isinstance(expected, int):
        frame = read_features(path, None, {}, None, ANY)
        assert len(frame) == expected and frame.geometry.is_valid.all()
        return
    with pytest.raises(InputError) as found:
        read_features(path, None, {}, None, ANY)
    [error] = found.value.errors
    assert expected in error.what and error.remedy and "\n" not in str(error)


def test_a_ring_that_is_not_closed_is_closed_and_told():
    notes = []
    read_features(shared("bad_geojson/invalid_unclosed.geojson"), None, {}, None, ANY, notes)
    assert any("not closed have been closed" in note for note in notes)
