"""Every reader on one mutated file: what it is given, how it is spoilt, and how it is called."""

from __future__ import annotations

import faulthandler
import sys
import tempfile
import warnings
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from random import Random

import geopandas as gpd
import pandas as pd
import pyproj
import rasterio
import xlsxwriter
from made_plan import made_plan

from bad_inputs import archives
from bad_inputs.good_site import CRS, SPECIES, SQUARE, change, good_site
from bad_inputs.mutations import (
    Mutation,
    either,
    spoilt_bytes,
    spoilt_cells,
    spoilt_database,
    spoilt_json,
    spoilt_toml,
    spoilt_words,
    spoilt_xml,
)
from siteplanner.after.compare import compare, read_plan
from siteplanner.after.damage import read_damage
from siteplanner.after.learnt import LEARNT_COLUMNS, read_learnt
from siteplanner.after.planted import Planted, read_planted
from siteplanner.after.survival_counts import CAUSES, read_counts
from siteplanner.after.ticked import read_status, read_ticks
from siteplanner.after.verify import verify
from siteplanner.base.errors import Errors, InputError
from siteplanner.catchment.settings import find_sites, load_catchment
from siteplanner.catchment.stock import read_seed
from siteplanner.handover.folder.manifest import write_manifest
from siteplanner.handover.gis.geopackage import write_geopackage
from siteplanner.reading.climate.station import read_climate
from siteplanner.reading.decisions import read_decisions
from siteplanner.reading.dem import read_dem
from siteplanner.reading.dug_spots import with_answers
from siteplanner.reading.files.features import ANY, read_features
from siteplanner.reading.files.opening import layers_in
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.reading.inputs import read_inputs
from siteplanner.reading.kept_blocks import blocks_of_plan, read_kept_blocks
from siteplanner.reading.nursery_counts import read_hand
from siteplanner.reading.published import read_published
from siteplanner.reading.records import read_soils
from siteplanner.reading.species.survival_rates import read_rates
from siteplanner.reading.species.table import read_species
from siteplanner.site.site_file import load_site

#: No reader takes so long on a small file, s; longer is a hang.
HANGS_AFTER_S = 30.0
#: Warnings that Python shows to programmers alone.
UNSEEN = (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning)

PLANTED = Planted(
    pd.DataFrame({"block": ["A1"], "zone": ["A"], "row": [1], "species": [SPECIES[0]],
                  "planted": [20]}),
    {"A": ("Flat", "level")},
    {SPECIES[0]: 3},
    pd.DataFrame(columns=["zone", "species", "substitute"]),
    -42.0,
)  # fmt: skip
ALIVE = (
    f"block,row,species,planted,alive,frost,drought,date\nA1,1,{SPECIES[0]},20,15,2,1,2029-03-04\n"
)
_TEXTS = {
    "alive.csv": ALIVE,
    "damage.csv": "block,rows,species,cause,dead,do,replace_with,date,note\n"
    f"A1,1,{SPECIES[0]},frost,5,another species,{SPECIES[1]},2029-03-04,cold night\n",
    "planted.csv": "block,planted_on,trees,note\nA1,2029-03-04,18,wind\n",
    "stock.csv": f"species,plants,batch\n{SPECIES[0]},40,\n{SPECIES[1]},12,B2\n",
    "local.csv": f"species\n{SPECIES[0]}\n",
    "rates.csv": f"species,ground,expected_survival\n{SPECIES[0]},wet,0.7\n{SPECIES[1]},,0.8\n",
    "learnt.csv": ",".join(LEARNT_COLUMNS)
    + f"\n{SPECIES[0]},wet,A1,20,20,15{',1' * len(CAUSES)},1.2,2029-03-04,a.csv,{'0' * 64}\n",
    "seed.csv": f"species,grams\n{SPECIES[0]},12.5\n",
    "catchment.toml": '[catchment]\nname = "Two"\nsites = ["site.toml", "*.toml"]\n[stock]\n'
    'seed = "seed.csv"\n[sharing]\nmust_first = true\n[privacy]\nseed_sources = "blurred"\n'
    "grid_m = 1000\n",
}
_GPX = (
    '<?xml version="1.0"?><gpx version="1.1" creator="a" xmlns="http://www.topografix.com/GPX/1/1">'
    "<trk><name>Round</name><trkseg>{}</trkseg></trk></gpx>"
)
_CORNERS = archives.LAND.geometry[0].exterior.coords
_TABLES = either(spoilt_cells, spoilt_cells, spoilt_bytes)
_GPKG = either(spoilt_database, spoilt_database, spoilt_database, spoilt_bytes)
_JSON = either(spoilt_json, spoilt_json, spoilt_json, spoilt_bytes)
_XML = either(spoilt_xml, spoilt_xml, spoilt_bytes)


@dataclass(frozen=True)
class Reader:
    """A reader: its ``files``, how one of them is spoilt, how it is called.

    ``share`` of ten thousand runs, by how long one takes.
    """

    files: tuple[str, ...]
    spoil: Mutation
    call: Callable[[], object]
    share: int = 360


class Readers:
    """A good site and a plan in a folder of its own; ``read`` puts bytes in a file's place."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="readers-"))
        path = self._written()
        self.all = self._of_site(path) | self._of_plan(path)
        self.good = {
            file: (self.folder / file).read_bytes()
            for reader in self.all.values()
            for file in reader.files
        }

    def _written(self) -> Path:
        """Write the site, its kin in other formats, and a plan; give the site file."""
        folder = self.folder
        path = good_site(folder)
        for name, text in _TEXTS.items():
            (folder / name).write_text(text, encoding="utf-8")
        kml = archives.KML.format(head="", name="All").encode()
        (folder / "a.kml").write_bytes(kml)
        (folder / "a.geojson").write_text(archives.LAND.to_json(), encoding="utf-8")
        points = "".join(f'<trkpt lat="{y:.7f}" lon="{x:.7f}"/>' for x, y in _CORNERS)
        (folder / "a.gpx").write_text(_GPX.format(points), encoding="utf-8")
        archives.archive(path, "a.kmz", "doc.kml", kml)
        land = gpd.GeoDataFrame({"name": ["All"], "hectares": [4.0]}, geometry=[SQUARE], crs=CRS)
        land.to_file(folder / "a.shp", encoding="utf-8")
        drawn = land.assign(zone="Q", title="Mine", use="plant", barred=SPECIES[1], wanted="")
        drawn.to_file(folder / "zones.gpkg", layer="zones")
        with rasterio.open(folder / "dem.tif") as file:
            profile = file.profile | {"driver": "AAIGrid"}
            with rasterio.open(folder / "dem.asc", "w", **profile) as target:
                target.write(file.read())
        for name in [p.name for p in folder.glob("dem.*") if p.suffix not in (".tif", ".asc")]:
            (folder / name).unlink()  # its CRS is the site file's to say
        with xlsxwriter.Workbook(str(folder / "stock.xlsx")) as book:
            sheet = book.add_worksheet()
            for row, cells in enumerate((("species", "plants"), (SPECIES[0], 40))):
                sheet.write_row(row, 0, cells)
        plan = made_plan()
        (folder / "plan").mkdir()
        write_geopackage(plan, folder / "plan" / "plan.gpkg")
        plan.counts.to_csv(folder / "plan" / "counts.csv", index=False)
        write_manifest(plan, folder / "plan" / "plan.json", ["plan.gpkg", "counts.csv"])
        kept = {"block": "A1", "zone": "A", "paddock": "All", "pattern": "square"}
        kept |= {"status": "set aside", "until": 2031.0, "spacing_m": 3.0, "bearing_deg": 0.0}
        frame = gpd.GeoDataFrame([kept], geometry=[SQUARE.buffer(-60)], crs=CRS)
        frame.to_file(folder / "blocks.gpkg", layer="blocks")
        tree = {"block": "A1", "row": 1, "species": SPECIES[0]}
        frame = gpd.GeoDataFrame([tree], geometry=[SQUARE.centroid], crs=CRS)
        frame.to_file(folder / "blocks.gpkg", layer="trees")
        change(path, decisions={"zones": "zones.gpkg", "local": "local.csv"},
               species={"survival": "rates.csv"}, soils={"dug": "dig.csv"})  # fmt: skip
        return path

    def _of_site(self, path: Path) -> dict[str, Reader]:
        folder, crs = self.folder, pyproj.CRS.from_user_input(CRS)
        site = load_site(path)
        ascii_dem = site.model_copy(
            update={"dem": site.dem.model_copy(update={"file": "dem.asc", "crs": CRS})}
        )
        soils, names = read_soils(site, crs), list(read_species(folder / "species.csv").facts[
            "botanical_name"])  # fmt: skip

        def shapes(name: str) -> Callable[[], object]:
            return lambda: (layers_in(folder / name), read_features(
                folder / name, None, {}, crs, ANY, []))  # fmt: skip

        def heights(one) -> Callable[[], object]:
            return lambda: (working_crs(one), read_dem(one, crs, SQUARE))

        whole = ("frost.gpkg", "no_plant.gpkg", "shelter.gpkg", "seed_sources.gpkg", "soils.gpkg",
                 "land.gpkg", "zones.gpkg", "blocks.gpkg")  # fmt: skip
        tables = ("climate.csv", "winters.csv", "daily.csv", "species.csv", "stock.csv",
                  "counts.csv", "dig.csv", "local.csv", "rates.csv")  # fmt: skip
        tables = tuple(name for name in tables if (folder / name).exists())
        return {
            "settings": Reader(("site.toml",), either(spoilt_toml, spoilt_toml, spoilt_bytes),
                               lambda: load_site(path), 1500),
            "dem": Reader(("dem.tif",), spoilt_bytes, heights(site), 250),
            "ascii dem": Reader(("dem.asc",), either(spoilt_words, spoilt_words, spoilt_bytes),
                                heights(ascii_dem), 250),
            "geopackage": Reader(("soils.gpkg",), _GPKG, lambda: read_soils(site, crs, []), 300),
            "geojson": Reader(("a.geojson",), _JSON, shapes("a.geojson"), 900),
            "kml": Reader(("a.kml",), _XML, shapes("a.kml")),
            "kmz": Reader(("a.kmz",), spoilt_bytes, shapes("a.kmz")),
            "gpx": Reader(("a.gpx",), _XML, shapes("a.gpx")),
            "shapefile": Reader(("a.shp", "a.shx", "a.dbf", "a.prj", "a.cpg"), spoilt_bytes,
                                shapes("a.shp"), 600),
            "climate": Reader(("climate.csv", "daily.csv"), _TABLES,
                              lambda: read_climate(site, [])),
            "species": Reader(("species.csv",), _TABLES,
                              lambda: read_species(folder / "species.csv", [])),
            "stock": Reader(("stock.csv", "counts.csv"), _TABLES, lambda: read_hand(site, names)),
            "workbook": Reader(("stock.xlsx",), spoilt_bytes, lambda: read_hand(site.model_copy(
                update={"nursery": site.nursery.model_copy(update={"stock": "stock.xlsx"})}
            ), names)),
            "survival": Reader(("alive.csv",), _TABLES,
                               lambda: read_counts([folder / "alive.csv"], PLANTED), 600),
            "damage": Reader(("damage.csv",), _TABLES,
                             lambda: read_damage([folder / "damage.csv"], PLANTED, SPECIES), 500),
            "ticks": Reader(("planted.csv",), _TABLES,
                            lambda: read_ticks([folder / "planted.csv"], PLANTED)),
            "dig": Reader(("dig.csv",), _TABLES, lambda: with_answers(soils, folder / "dig.csv")),
            "decisions": Reader(("zones.gpkg", "local.csv"), either(
                lambda data, draw: (_GPKG if data[:6] == b"SQLite" else _TABLES)(data, draw)),
                lambda: read_decisions(site, crs, names, []), 200),
            "rates": Reader(("rates.csv",), _TABLES,
                            lambda: read_rates(folder / "rates.csv", names)),
            "learnt": Reader(("learnt.csv",), _TABLES, lambda: read_learnt(folder / "learnt.csv")),
            "kept blocks": Reader(("blocks.gpkg",), _GPKG, lambda: (
                read_kept_blocks(site, crs, names), read_status(folder / "blocks.gpkg")), 200),
            "seed": Reader(("seed.csv",), _TABLES, lambda: read_seed(folder / "seed.csv")),
            "catchment": Reader(("catchment.toml",), either(spoilt_toml, spoilt_bytes),
                                lambda: find_sites(load_catchment(folder / "catchment.toml"))),
            "whole site, shapes": Reader(whole, _GPKG, lambda: read_inputs(load_site(path)), 60),
            "whole site, tables": Reader(tables, _TABLES, lambda: read_inputs(load_site(path)), 40),
            "whole site, settings": Reader(("site.toml",), spoilt_toml,
                                           lambda: read_inputs(load_site(path)), 60),
        }  # fmt: skip

    def _of_plan(self, path: Path) -> dict[str, Reader]:
        plan = self.folder / "plan"
        before = read_plan(plan)

        def whole(*first: Callable[[], object]) -> None:
            errors = Errors()
            for read in (*first, lambda: read_planted(plan),
                         lambda: compare(before, read_plan(plan)),
                         lambda: blocks_of_plan(read_published(plan))):  # fmt: skip
                with errors.gather():
                    read()
            errors.raise_any()

        return {
            "manifest": Reader(("plan/plan.json",), _JSON,
                               lambda: whole(lambda: verify(plan, path)), 200),
            "plan": Reader(("plan/plan.gpkg", "plan/counts.csv"), lambda data, draw: (
                _GPKG if data[:6] == b"SQLite" else _TABLES)(data, draw), whole, 120),
        }  # fmt: skip

    def spoilt(self, name: str, draw: Random) -> tuple[str, bytes]:
        """Draw one of a reader's files and spoil it."""
        file = draw.choice(self.all[name].files)
        return file, self.all[name].spoil(self.good[file], draw)

    def read(self, name: str, file: str, data: bytes) -> bool:
        """Whether the reader took the bytes in a file's place; False for an InputError.

        Anything else that it raises is raised, as is a warning; a hang ends the process.
        """
        (self.folder / file).write_bytes(data)
        try:
            with warnings.catch_warnings(record=True) as warned, not_for_ever():
                warnings.simplefilter("always")
                try:
                    self.all[name].call()
                    taken = True
                except InputError as error:
                    in_one_sentence(error)
                    taken = False
        finally:
            (self.folder / file).write_bytes(self.good[file])
        shown = [one for one in warned if not issubclass(one.category, UNSEEN)]
        assert not shown, f"{shown[0].message} ({shown[0].filename}:{shown[0].lineno})"
        return taken


def in_one_sentence(error: InputError) -> None:
    """Hold each error to what a user needs: file, what is wrong, what to do, on one line."""
    assert error.errors
    for detail in error.errors:
        assert detail.file and detail.what.strip() and detail.remedy.strip(), detail
        assert "Traceback" not in str(detail) and "Error(" not in str(detail), detail


@contextmanager
def not_for_ever():
    """End the process with a traceback where something takes too long, in compiled code too."""
    faulthandler.dump_traceback_later(HANGS_AFTER_S, exit=True, file=sys.__stderr__)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()
