"""The same ground from whatever DEM: zones agree, and every real DEM gives a plan."""

import json
import math

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from conftest import SITE
from rasterio.features import rasterize
from rasterio.warp import Resampling, calculate_default_transform, reproject
from scipy.ndimage import minimum_filter
from shared_data import shared
from site_around import agreement, laid_out, site_around

from siteplanner import load_site, make_plan

long = pytest.mark.long

SAMPLE = SITE.parent


@pytest.fixture(scope="module")
def piece():
    """A square of the sample with its soils, and heights for 150 m round it."""
    with rasterio.open(SAMPLE / "dem.tif") as source:
        land = gpd.read_file(SAMPLE / "property.gpkg", layer="boundary").to_crs(source.crs)
        middle = land.union_all().representative_point()
        square = shapely.box(middle.x - 160, middle.y - 160, middle.x + 160, middle.y + 160)
        window = source.window(*square.buffer(150, join_style="mitre").bounds)
        window = window.round_offsets().round_lengths()
        soils = gpd.read_file(SAMPLE / "soils.gpkg").to_crs(source.crs)
        soils = soils.rename(columns={"stones_pct": "stones_percent"})
        return {
            "dem": source.read(1, window=window).astype(np.float32),
            "transform": source.window_transform(window),
            "crs": source.crs,
            "square": square,
            "soils": soils.clip(square.buffer(50), keep_geom_type=True),
        }


def save(path, dem, transform, crs, **profile):
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path, "w", driver="GTiff", width=dem.shape[1], height=dem.shape[0], count=1,
        dtype=dem.dtype, transform=transform, crs=crs, **profile,
    ) as file:  # fmt: skip
        file.write(dem, 1)


def zones_of(folder, piece, dem_table):
    """Zones of the piece as codes on a lattice of 2 m, and their hectares by letter."""
    dem_table = {"cell_m": 2.0, "margin_m": 120.0, **dem_table}
    path = site_around(
        folder, dem_table, piece["square"], piece["crs"], piece["soils"],
        kinds=4, smallest_m2=1500.0, smooth_m=10.0,
    )  # fmt: skip
    zones = laid_out(load_site(path)).zones
    west, _, _, north = piece["square"].bounds
    place = rasterio.transform.from_origin(west, north, 2, 2)
    shapes = [(shape, code) for code, shape in enumerate(zones.geometry, 1)]
    return rasterize(shapes, out_shape=(160, 160), transform=place), zones["area_ha"].to_numpy()


@pytest.fixture(scope="module")
def plain(piece, tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    save(folder / "dem.tif", piece["dem"], piece["transform"], piece["crs"])
    return zones_of(folder, piece, {"file": "dem.tif"})


def as_feet(folder, p):
    save(folder / "dem.tif", p["dem"] / np.float32(0.3048), p["transform"], p["crs"])
    return {"file": "dem.tif", "heights_in": "ft"}


def as_tiles(folder, p):
    half = p["dem"].shape[1] // 2
    save(folder / "tiles/a.tif", p["dem"][:, : half + 5], p["transform"], p["crs"])
    beside = p["transform"] @ p["transform"].translation(half, 0)
    save(folder / "tiles/b.tif", p["dem"][:, half:], beside, p["crs"])
    return {"file": "tiles"}


def as_other_nodata(folder, p):
    dem = p["dem"].copy()
    dem[:4, :4] = -1
    save(folder / "dem.tif", dem, p["transform"], p["crs"])
    return {"file": "dem.tif", "nodata": -1.0}


@long
@pytest.mark.parametrize("made", [as_feet, as_tiles, as_other_nodata])
def test_lossless_variants_give_the_same_zones(plain, piece, tmp_path, made):
    codes, areas = plain
    assert len(areas) >= 3
    theirs, _ = zones_of(tmp_path, piece, made(tmp_path, piece))
    assert agreement(codes.ravel(), theirs.ravel()) >= 0.9


def resampled(p, cell, crs=None):
    """The piece's heights by cubic (finer) or mean (coarser) on another lattice."""
    rows, cols = p["dem"].shape
    bounds = rasterio.transform.array_bounds(rows, cols, p["transform"])
    place, width, height = calculate_default_transform(
        p["crs"], crs or p["crs"], cols, rows, *bounds, resolution=cell
    )
    out = np.full((height, width), np.nan, np.float32)
    reproject(
        p["dem"], out, src_transform=p["transform"], src_crs=p["crs"], dst_transform=place,
        dst_crs=crs or p["crs"], dst_nodata=np.nan,
        resampling=Resampling.average if cell > 3 else Resampling.cubic,
    )  # fmt: skip
    return out, place


@pytest.mark.long
@pytest.mark.parametrize(
    ("cell", "crs"),
    [
        pytest.param(1.0, None, marks=long),
        pytest.param(4.0, None, marks=long),
        (1.8e-5, "EPSG:4326"),
    ],
    ids=["1 m", "4 m", "degrees"],
)
def test_resampled_variants_keep_each_zones_hectares(plain, piece, tmp_path, cell, crs):
    codes, areas = plain
    dem, place = resampled(piece, cell, crs)
    save(tmp_path / "dem.tif", dem, place, crs or piece["crs"], nodata=np.nan)
    theirs, their_areas = zones_of(tmp_path, piece, {"file": "dem.tif"})
    for code, area in enumerate(areas, 1):
        met = np.bincount(theirs[codes == code], minlength=len(their_areas) + 1)[1:]
        assert their_areas[met.argmax()] == pytest.approx(area, rel=0.1), (code, areas, their_areas)


REAL = {
    "si_lidar1m_epsg3794.tif": {},
    "si_lidar1m_nan_holes.tif": {},
    "us_ca_bigtujunga_30m_epsg32611.tif": {},
    "us_co_bijou_1arcsec_nocrs.asc": {"crs": "EPSG:4269"},
    "us_co_bijou_3m_nodata0_nocrs.asc": {"crs": "EPSG:26913", "nodata": 0},
    "us_co_rmnp_nonsquare_deg.tif": {},
    "us_id_inl_100m_FEET.tif": {"heights_in": "ft"},
    "us_nm_hugo_10m_full_nocrs.asc": {"crs": "EPSG:26913"},
    "nz_maungawhau_10m_nocrs.json": {"crs": "EPSG:2193"},
    "za_cape_3arcsec_epsg4326.tif": {},
}


def opened(path, folder):
    """The DEM as a raster; a list of heights is written as an ASCII grid first."""
    if path.suffix != ".json":
        return path
    held = json.loads(path.read_text(encoding="utf-8"))
    rows = np.array(held["values"], float).reshape(held["height"], held["width"])
    head = "ncols 87\nnrows 61\nxllcorner 1756000\nyllcorner 5917000\ncellsize 10\n"
    body = "\n".join(" ".join(f"{v:g}" for v in row) for row in rows)
    (folder / "heights.asc").write_text(head + body + "\n", encoding="utf-8")
    return folder / "heights.asc"


def square_on(path, table):
    """A square of some 40 cells, or 120 m, on known ground near the middle; its metric CRS."""
    with rasterio.open(path) as source:
        crs = pyproj.CRS(table.get("crs") or source.crs)
        nodata = table.get("nodata", source.nodata)
        heights = source.read(1)
        known = np.isfinite(heights) & (heights != nodata)
        size = min(abs(source.res[0]), abs(source.res[1])) * (111_000 if crs.is_geographic else 1)
        half = int(min(max(20, 60 / size), *(side / 3 for side in known.shape)))
        row = None
        while row is None:
            # The place nearest to the middle with known ground all round; else a smaller square.
            inside = minimum_filter(known, 2 * half + 1, mode="constant")
            rows, cols = np.nonzero(inside)
            if len(rows):
                near = np.hypot(rows - known.shape[0] / 2, cols - known.shape[1] / 2).argmin()
                row, col = rows[near], cols[near]
            else:
                half = half * 3 // 4
        x, y = source.xy(row, col)
    to = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat = to.transform(x, y)
    if crs.is_geographic:
        crs = pyproj.CRS(32600 + 100 * (lat < 0) + int((lon + 180) // 6) + 1)
        x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
        size *= math.cos(math.radians(lat))
    reach = half * size * 0.9
    return shapely.box(x - reach, y - reach, x + reach, y + reach), crs


@long
@pytest.mark.parametrize("name", REAL)
def test_every_real_dem_gives_a_plan(name, tmp_path):
    path = opened(shared(f"dem/{name}"), tmp_path)
    table = REAL[name]
    square, crs = square_on(path, table)
    site = site_around(tmp_path / "site", {"file": str(path), **table}, square, crs, kinds=4)
    plan = make_plan(load_site(site))
    plantable = square.buffer(-2).area / 1e4
    assert plan.zones["area_ha"].sum() == pytest.approx(plantable, rel=0.05)
    assert len(plan.trees) > 50
    slope = plan.layers["slope"]
    assert np.nanmax(slope) < 75 and np.nanmedian(slope) > 0.05
