"""Every reader on one mutated file: what it is given, and how it is called."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from bad_inputs import archives
from bad_inputs.good_site import CRS, SPECIES, good_site
from siteplanner.after.damage import read_damage
from siteplanner.after.planted import Planted
from siteplanner.after.survival_counts import read_counts
from siteplanner.base.errors import InputError
from siteplanner.reading.climate.station import read_climate
from siteplanner.reading.dem import read_dem
from siteplanner.reading.dug_spots import with_answers
from siteplanner.reading.files.features import ANY, read_features
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.reading.nursery_counts import read_hand
from siteplanner.reading.records import read_soils
from siteplanner.reading.species.table import read_species
from siteplanner.site.site_file import load_site

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

DAMAGE = (
    "block,rows,species,cause,dead,do,replace_with,date,note\n"
    f"A1,1,{SPECIES[0]},frost,5,another species,{SPECIES[1]},2029-03-04,cold night\n"
)


class Readers:
    """A good site in a folder of its own; ``read`` puts bytes in a file's place and reads it."""

    def __init__(self) -> None:
        import pyproj

        self.folder = Path(tempfile.mkdtemp(prefix="readers-"))
        path = good_site(self.folder)
        site, crs = load_site(path), pyproj.CRS.from_user_input(CRS)
        soils, land = read_soils(site, crs), read_features(
            self.folder / "land.gpkg", None, {}, crs, ANY
        ).union_all()  # fmt: skip
        kml = archives.KML.format(head="", name="All").encode()
        (self.folder / "alive.csv").write_text(ALIVE, encoding="utf-8")
        (self.folder / "damage.csv").write_text(DAMAGE, encoding="utf-8")
        (self.folder / "a.kml").write_bytes(kml)
        (self.folder / "a.geojson").write_text(archives.LAND.to_json(), encoding="utf-8")
        archives.archive(path, "a.kmz", "doc.kml", kml)

        def features(name: str) -> Callable[[], object]:
            return lambda: read_features(self.folder / name, None, {}, crs, ANY)

        self.calls: dict[str, tuple[str, Callable[[], object]]] = {
            "settings": ("site.toml", lambda: load_site(path)),
            "dem": ("dem.tif", lambda: (working_crs(site), read_dem(site, crs, land))),
            "geopackage": ("soils.gpkg", lambda: read_soils(site, crs)),
            "geojson": ("a.geojson", features("a.geojson")),
            "kml": ("a.kml", features("a.kml")),
            "kmz": ("a.kmz", features("a.kmz")),
            "climate": ("climate.csv", lambda: read_climate(site)),
            "daily": ("daily.csv", lambda: read_climate(site)),
            "species": ("species.csv", lambda: read_species(self.folder / "species.csv")),
            "counts": ("counts.csv", lambda: read_hand(site, [])),
            "survival": (
                "alive.csv",
                lambda: read_counts([self.folder / "alive.csv"], PLANTED),
            ),
            "damage": (
                "damage.csv",
                lambda: read_damage([self.folder / "damage.csv"], PLANTED, SPECIES),
            ),
            "dig": ("dig.csv", lambda: with_answers(soils, self.folder / "dig.csv")),
        }
        self.good = {
            name: (self.folder / file).read_bytes() for name, (file, _) in self.calls.items()
        }

    def read(self, name: str, data: bytes) -> bool:
        """Whether the reader took the bytes; False for an InputError. Anything else is raised."""
        file, call = self.calls[name]
        (self.folder / file).write_bytes(data)
        try:
            call()
        except InputError as error:
            assert error.errors and all(detail.what and detail.remedy for detail in error.errors)
            return False
        finally:
            (self.folder / file).write_bytes(self.good[name])
        return True


def mutated(data: bytes, edits: list[tuple[int, int, bytes]]) -> bytes:
    """Replace parts of bytes: each edit is a place, how many bytes to take out, what to put in."""
    for place, out, put in edits:
        at = place % (len(data) + 1)
        data = data[:at] + put + data[at + out :]
    return data
