"""Soil files as they come: texture from shares, columns that are not there, real polygons."""

import geopandas as gpd
import pytest
import shapely
from shared_data import shared
from site_around import site_around

from siteplanner.base.errors import InputError
from siteplanner.base.soil_classes import TEXTURE_CLASSES
from siteplanner.reading.records import read_soils
from siteplanner.site.site_file import load_site

CRS = "EPSG:32755"
SQUARE = shapely.box(500_000, 5_300_000, 500_300, 5_300_300)
NO_WORDS = dict.fromkeys(("texture", "drainage", "depth_m", "ph", "stones_percent"), "")


def read(folder, soils, **columns):
    path = site_around(folder, {"file": "dem.tif"}, SQUARE, CRS, soils)
    table = ", ".join(f'{name} = "{theirs}"' for name, theirs in columns.items())
    text = path.read_text().replace("[soils]", f"[soils]\ncolumns = {{ {table} }}")
    path.write_text(text)
    return read_soils(load_site(path), CRS)


def polygons(**columns):
    halves = [
        shapely.box(500_000 + 150 * n, 5_300_000, 500_150 + 150 * n, 5_300_300) for n in (0, 1)
    ]
    return gpd.GeoDataFrame({"unit": ["A", "B"], **columns}, geometry=halves, crs=CRS)


def test_texture_comes_from_the_shares_where_there_is_no_word(tmp_path):
    soils = polygons(texture=["clay", None], s=[40.0, 40.0], z=[40.0, 40.0], c=[20.0, 20.0])
    columns = NO_WORDS | {"texture": "texture", "sand": "s", "silt": "z", "clay": "c"}
    made = read(tmp_path, soils, **columns)
    assert made["texture"].tolist() == ["clay", "loam"]
    assert made["depth_m"].isna().all() and made["drainage"].isna().all()


def test_shares_that_make_no_whole_are_a_fault_and_missing_ones_are_unknown(tmp_path):
    soils = polygons(s=[60.0, None], z=[60.0, 40.0], c=[20.0, 20.0])
    columns = NO_WORDS | {"sand": "s", "silt": "z", "clay": "c"}
    with pytest.raises(InputError, match=r"soil unit A.*60.0, 60.0, 20.0 do not add up to 100"):
        read(tmp_path / "wrong", soils, **columns)
    made = read(tmp_path / "right", soils.assign(s=[20.0, None]), **columns)
    assert made["texture"][0] == "silt loam" and made["texture"].isna()[1]


def test_a_real_soil_survey_gives_its_textures(tmp_path):
    real = gpd.read_file(shared("soil/us_nc_coweeta_ssurgo_texture.gpkg"))
    sand, silt, clay = (
        next(c for c in real.columns if word in c.lower()) for word in ("sand", "silt", "clay")
    )
    real = real.rename(columns={sand: "s", silt: "z", clay: "c"}).assign(
        unit=[str(n) for n in range(len(real))]
    )
    made = read(tmp_path, real, **NO_WORDS, sand="s", silt="z", clay="c")
    known = made["texture"].dropna()
    assert len(known) > 30 and set(known) <= set(TEXTURE_CLASSES)
