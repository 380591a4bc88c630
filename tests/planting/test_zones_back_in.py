"""A plan's own zones, one edge moved in a GIS, go straight back in as decisions."""

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from handover.small_site import small_site
from typer.testing import CliRunner

from siteplanner import load_site
from siteplanner.base.results.memory import Memory
from siteplanner.cli.app import app
from siteplanner.planting import lay_out as planting
from siteplanner.planting.draw_zones import Zoned, draw_zones
from siteplanner.site.site_file import Site
from siteplanner.suitability.of_site import assessed

#: What the tests' zones of one site have in common is worked out once.
SHARED = Memory()


def zones_of(site: Site) -> Zoned:
    return draw_zones(*assessed(site, set(planting.READS), call=SHARED), site, call=SHARED)


@pytest.fixture(scope="module")
def first(tmp_path_factory) -> tuple[Path, Zoned]:
    """A small site with ground that is too steep, and its zones."""
    path = small_site(tmp_path_factory.mktemp("zones") / "site")
    text = path.read_text("utf-8").replace("steepest_deg = 60.0", "steepest_deg = 11.0")
    path.write_text(text, "utf-8")
    return path, zones_of(load_site(path))


def grown(zones: gpd.GeoDataFrame, metres: float = 12.0) -> tuple[gpd.GeoDataFrame, str, str]:
    """Move the edge of one zone into the one beside it: the zones, the one moved, the other."""
    planted = zones[zones["spacing_m"] > 0].reset_index(drop=True)
    one, other = planted.geometry[0], planted.geometry[1]
    assert one.distance(other) == 0
    moved = shapely.union(one, shapely.intersection(one.buffer(metres), other))
    moved = shapely.MultiPolygon([p for p in shapely.get_parts(moved)])
    assert shapely.intersection(moved, other).area > 100
    geometry = [moved if z == planted["zone"][0] else g
                for z, g in zip(zones["zone"], zones.geometry, strict=True)]  # fmt: skip
    return zones.set_geometry(geometry, crs=zones.crs), planted["zone"][0], planted["zone"][1]


def put_back(path: Path, zoned: Zoned, zones: gpd.GeoDataFrame, *, blocks: bool) -> Site:
    """Save the zones as a copy of the plan would hold them, and name it in the site file."""
    copy = path.with_name("mine.gpkg")
    copy.unlink(missing_ok=True)
    zones[["zone", "title", "area_ha", "geometry"]].to_file(copy, layer="zones")
    if blocks:
        zoned.blocks[["block", "zone", "geometry"]].to_file(copy, layer="blocks")
    site = path.with_name("decided.toml")
    site.write_text(path.read_text("utf-8") + '\n[decisions]\nzones = "mine.gpkg"\n', "utf-8")
    return load_site(site)


@pytest.mark.parametrize("blocks", [True, False], ids=["the whole plan", "its zones alone"])
@pytest.mark.parametrize("last", [True, False], ids=["the last", "the first"])
def test_an_overlap_goes_to_the_zone_that_was_moved(first, blocks, last):
    path, zoned = first
    zones, one, other = grown(zoned.zones)
    order = sorted(zones.index, key=lambda n: (zones["zone"][n] == one) == last)
    site = put_back(path, zoned, zones.loc[order], blocks=blocks)
    again = zones_of(site)
    now, asked = (frame.set_index("zone") for frame in (again.zones, zones))
    gap = shapely.symmetric_difference(now.geometry[one], asked.geometry[one])
    assert gap.area < 1
    lost = asked.geometry[other].area - now.geometry[other].area
    assert lost == pytest.approx(
        shapely.intersection(asked.geometry[one], asked.geometry[other]).area, abs=1
    )
    assert now.geometry.area.sum() == pytest.approx(zoned.zones.area.sum(), abs=1)


def test_what_is_said_to_be_kept_is_what_was_kept(first):
    path, zoned = first
    zones, one, other = grown(zoned.zones)
    again = zones_of(put_back(path, zoned, zones, blocks=True))
    kept = again.zones.set_index("zone")["area_ha"]
    said = " ".join(again.notes)
    assert f"As drawn: zone {one}, {kept[one]:.2f} ha." in said
    was = zoned.zones.set_index("zone")["area_ha"][other]
    assert f"Kept: zone {other}, {kept[other]:.2f} ha; you drew {was:.2f} ha." in said
    assert f"ha overlaps zone {one}" in said


def test_ground_not_for_trees_is_passed_over_and_said(first):
    path, zoned = first
    assert "X" in set(zoned.zones["zone"])
    site = put_back(path, zoned, zoned.zones, blocks=True)
    inputs = assessed(site, set(planting.READS))[0]
    assert any("zone X (too steep, nothing fits) is not read" in note for note in inputs.notes)
    same = zones_of(site).zones.set_index("zone").geometry
    for letter, shape in zoned.zones.set_index("zone").geometry.items():
        assert shapely.symmetric_difference(shape, same[letter]).area < 1


def test_ground_given_up_between_zones_joins_the_zone_beside_it(first):
    path, zoned = first
    zones = zoned.zones.copy()
    planted = zones.index[zones["spacing_m"] > 0]
    shrunk = shapely.difference(
        zones.geometry[planted[0]], zones.geometry[planted[1]].buffer(1.5, cap_style="flat")
    )
    zones.loc[planted[0], "geometry"] = shapely.multipolygons(shapely.get_parts(shrunk))
    again = zones_of(put_back(path, zoned, zones, blocks=True)).zones.set_index("zone")
    assert set(again.index) == set(zoned.zones["zone"])
    assert again.area.sum() == pytest.approx(zoned.zones.area.sum(), abs=1)


def test_check_says_of_drawn_zones_what_the_plan_says(first):
    path, zoned = first
    zones, one, _ = grown(zoned.zones)
    site = put_back(path, zoned, zones, blocks=True)
    said = CliRunner().invoke(app, ["check", str(site.path)]).output
    of_plan = zones_of(site).notes
    assert any(note.startswith(f"As drawn: zone {one},") for note in of_plan)
    for note in of_plan:
        assert f"note: {note}" in said
