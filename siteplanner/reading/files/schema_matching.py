"""Recognises layers and columns of other people's files by their names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path

import pyogrio

from siteplanner.reading.files.archive import geodata_in
from siteplanner.reading.files.drivers import listening
from siteplanner.reading.files.opening import layers_in

_OTHER_UNITS = ("cm", "mm", "in", "inch", "ft", "feet", "f")
#: Names that files of this kind often have for a column, in small letters without marks
#: (common practice, no source; mukey, muname and drclassdcd are of USDA SSURGO).
_ALSO = {
    "unit": ("mapunit", "muname", "musym", "mukey", "soiltype", "type"),
    "texture": ("texcl", "textureclass"),
    "drainage": ("drainagecl", "drclassdcd", "draincl", "drainageclass"),
    "depth_m": (),
    "ph": ("phwater", "phh2o", "ph1to1h2o"),
    "stones_percent": ("stones", "stonespct", "fragments", "coarsefragments"),
    "sand": ("sandpct", "sandtotal", "sandpercent"),
    "silt": ("siltpct", "silttotal", "siltpercent"),
    "clay": ("claypct", "claytotal", "claypercent"),
    "name": ("paddock", "field", "fieldname", "paddockname", "label", "block"),
    "plant": ("toplant", "planted", "planting"),
    "kind": ("type", "feature", "featuretype", "class", "category"),
    "species": ("botanicalname", "scientificname", "sciname", "taxon"),
    "fruiting_months": ("fruiting", "seedmonths"),
}
#: A Shapefile's columns are cut to so many letters.
_CUT = 10


def layer_of(path: Path, wanted: str, found: list[str]) -> str | None:
    """Choose the layer of a vector file that holds ``wanted``; None where there is only one.

    What was chosen, and out of what, is added to ``found``; of a GPX the reader chooses. Raises
    :class:`~siteplanner.InputError` for a file that is no geodata.
    """
    layers = [layer.name for layer in layers_in(path) if layer.shapes is not None]
    if len(layers) < 2 or path.suffix.lower() == ".gpx":
        return None
    alike = [name for name in layers if wanted.rstrip("s") in name.lower()]
    chosen = (alike or get_close_matches(wanted, layers, n=1, cutoff=0.5) or layers)[0]
    found.append(f"{wanted}: layer {chosen} of {path.name}, out of {', '.join(layers)}")
    return chosen


def columns_of(path: Path, layer: str | None) -> list[str]:
    """List the columns of a layer of a vector file that opens."""
    with listening():
        return [str(c) for c in pyogrio.read_info(geodata_in(path), layer=layer)["fields"]]


def guess_columns(
    path: Path, layer: str | None, wanted: Sequence[str]
) -> tuple[dict[str, str], list[str]]:
    """Match the columns that a layer should have to those it has; also those not found.

    A name matches when it is the same but for case, marks or a word "soil" before it, is a
    common name for the same, is cut short as a Shapefile cuts it, begins alike, or differs by a
    letter or two; a column in another unit (``depth_cm`` for ``depth_m``) never does.
    """
    theirs = columns_of(path, layer)
    found: dict[str, str] = {}
    for standard in wanted:
        free = [name for name in theirs if name not in found.values()]
        named = {_bare(n): n for n in reversed(free) if not _other_unit(n, standard)}
        match = _match(standard, named)
        if match:
            found[standard] = named[match]
    return found, [name for name in wanted if name not in found]


def _match(standard: str, named: dict[str, str]) -> str | None:
    """Choose among bare names the one that means a standard column, the surest rule first."""
    names = [_bare(standard), *_ALSO.get(standard, ())]
    for name in names:
        if name in named:
            return name
    for bare, full in named.items():
        whole = len(full) == _CUT and any(name.startswith(bare) for name in names)
        if whole and len(bare) > 3:
            return bare
    stem = standard.split("_")[0]
    for bare in named:
        short = len(stem) > 3 and bare[:4] == stem[:4]
        if short and (stem.startswith(bare) or bare.startswith(stem)):
            return bare
    close = get_close_matches(_bare(standard), named, n=1, cutoff=0.75)
    return close[0] if close else None


def _bare(name: str) -> str:
    """A name in small letters, without marks and without a word "soil" before it.

    >>> _bare("soil_pH"), _bare("Depth m"), _bare("SOIL")
    ('ph', 'depthm', 'soil')
    """
    bare = re.sub(r"[^a-z0-9]", "", name.lower())
    return bare.removeprefix("soil") or bare


def _other_unit(name: str, standard: str) -> bool:
    unit = name.lower().rpartition("_")[2]
    return unit in _OTHER_UNITS and unit != standard.rpartition("_")[2]
