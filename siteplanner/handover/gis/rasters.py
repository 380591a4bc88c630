"""The plan's layers and species scores as Cloud-Optimized GeoTIFFs, coloured and described."""

from __future__ import annotations

import re
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray

from siteplanner import __version__
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.symbology.colours import ramp
from siteplanner.base.text import file_stem, uncommanded, unique_slugs, xml_text
from siteplanner.suitability.classes import CLASSES, NOT_SCORED

#: How the score came about, by index; see ``suitability.score.score_species``.
_SUITABILITY_METHODS = {
    "limiting": "the most limiting factor decides (FAO Soils Bulletin 32, 1976)",
    "square root": "lowest score times the root of the product of the others (Khiddir 1986)",
    "product": "product of the scores of all factors (Storie 1978)",
}

#: Sides of blocks, cells: that of large rasters, as is usual, and the smallest (of 16 in TIFF).
_BLOCK, _LEAST_BLOCK = 512, 128


def write_layer(info: LayerInfo, values: FloatGrid, grid: Grid, folder: Path) -> Path:
    """Write a layer as a Cloud-Optimized GeoTIFF ``<name>.tif`` in ``folder``; give its path.

    Numbers are written as they are, float32 with NaN for unknown. A layer of categories is
    written as uint8 codes, 255 for unknown, with a colour table and its names in the tags
    ``class_0``, ``class_1`` …

    Raises ``ValueError`` when a category has a code that its description does not name.
    """
    path = folder / f"{layer_file_stem(info.name)}.tif"
    table = _class_colours(info) if info.classes else None
    _write_cog(path, coded(info, values), grid, info.title, info.unit, _layer_tags(info), table)
    return path


def coded(info: LayerInfo, values: FloatGrid) -> NDArray[Any]:
    """Give a layer's values as they are stored: numbers as they are, categories as uint8 codes.

    Raises ``ValueError`` when a category has a code that its description does not name.
    """
    if not info.classes:
        return values
    known = np.isfinite(values)
    codes = values[known]
    if codes.size and not (codes.min() >= 0 and codes.max() < min(len(info.classes), 255)):
        raise ValueError(
            f"layer {info.name} has codes {codes.min():g} to {codes.max():g}, but describes "
            f"{len(info.classes)} classes"
        )
    out = np.full(values.shape, NOT_SCORED, dtype=np.uint8)
    out[known] = np.rint(codes)
    return out


def describe(file: Any, info: LayerInfo) -> None:
    """Write a layer's description into an open GeoTIFF: title, unit, tags, class colours."""
    table = _class_colours(info) if info.classes else None
    _describe(file, info.title, info.unit, _layer_tags(info), table)


def _layer_tags(info: LayerInfo) -> dict[str, str]:
    return {
        "title": info.title,
        "unit": info.unit,
        "method": info.method,
        "source": info.source,
        "valid_min": f"{info.valid[0]:g}",
        "valid_max": f"{info.valid[1]:g}",
        **{f"class_{code}": name for code, name in enumerate(info.classes)},
    }


def _class_colours(info: LayerInfo) -> dict[int, tuple[int, int, int]]:
    return dict(enumerate(_rgb(c) for c in ramp(info.colours, len(info.classes))))


def write_suitability(
    species: Sequence[str],
    scores: NDArray[np.uint8],
    grid: Grid,
    folder: Path,
    index: str = "limiting",
) -> list[Path]:
    """Write each species' suitability as ``suitability_<species>.tif``, in four bands of colour.

    ``index`` is how scores of factors became one (``suitability.score.INDICES``). ``scores`` is
    uint8 (species, rows, columns), 0-100, 255 where not scored. Two species whose names give the
    same file name are told apart by a number.
    """
    bands = suitability_colours()
    table: dict[int, tuple[int, int, int]] = {}
    for low, high, _, colour in bands:
        table |= dict.fromkeys(range(low, high + 1), _rgb(colour))
    tags = {f"class_{low}_{high}": words for low, high, words, _ in bands}
    tags |= {
        "unit": "score 0-100",
        "method": _SUITABILITY_METHODS[index],
        "valid_min": "0",
        "valid_max": "100",
    }
    paths = []
    for name, stem, score in zip(species, unique_slugs(species), scores, strict=True):
        title = f"Suitability for {name}"
        path = folder / f"suitability_{stem}.tif"
        _write_cog(path, score, grid, title, "", {"title": title, "species": name, **tags}, table)
        paths.append(path)
    return paths


def suitability_colours() -> list[tuple[int, int, str, str]]:
    """Lowest and highest score, words and #rrggbb colour of each band, best first."""
    bands = _suitability_bands()
    colours = ramp("YlGnBu_09", len(bands))[::-1]
    return [(*band, colour) for band, colour in zip(bands, colours, strict=True)]


def _suitability_bands() -> list[tuple[int, int, str]]:
    """Lowest and highest score and the words of each band, best first; N1 and N2 are one."""
    bands: list[tuple[int, int, str]] = []
    high = 100
    for _, low, words in CLASSES:
        if bands and bands[-1][2] == words:
            bands[-1] = (low, bands[-1][1], words)
        else:
            bands.append((low, high, words))
        high = low - 1
    return bands


def _write_cog(
    path: Path,
    values: NDArray[Any],
    grid: Grid,
    title: str,
    unit: str,
    tags: dict[str, str],
    colours: dict[int, tuple[int, int, int]] | None = None,
) -> None:
    number = values.dtype == np.float32
    rows, columns = grid.shape
    # Overviews lie beside the file until it is written: to pack them there, too, takes time.
    # Deflate is read everywhere; its higher levels cost three times as long for 1.5 % of size.
    with (
        rasterio.Env(COG_TMP_COMPRESSION="NONE"),
        rasterio.open(
            path,
            "w",
            driver="COG",
            height=rows,
            width=columns,
            count=1,
            dtype=values.dtype,
            crs=grid.crs.to_wkt(),
            transform=grid.transform,
            nodata=np.nan if number else NOT_SCORED,
            blocksize=_side_of_blocks(rows, columns),
            compress="DEFLATE",
            level=1 if number else 6,
            predictor="FLOATING_POINT" if number else "NO",
            overview_resampling="AVERAGE" if number else "NEAREST",
        ) as file,
    ):
        file.write(values, 1)
        _describe(file, title, unit, tags, colours)


def _side_of_blocks(rows: int, columns: int) -> int:
    """Give the side of a raster's blocks: no larger than one that holds a small raster whole.

    A small raster would else be packed, and unpacked whenever it is read, with much nothing.
    """
    return min(_BLOCK, max(_LEAST_BLOCK, -(-max(rows, columns) // 16) * 16))


def _describe(
    file: Any,
    title: str,
    unit: str,
    tags: dict[str, str],
    colours: dict[int, tuple[int, int, int]] | None,
) -> None:
    # Tags are kept as XML inside the file, where a control would make it unreadable.
    file.set_band_description(1, uncommanded(xml_text(title)))
    file.units = (unit,)
    tags = {"made_by": f"siteplanner {__version__}", **tags}
    file.update_tags(**{name: uncommanded(xml_text(text)) for name, text in tags.items()})
    if colours is not None:
        file.write_colormap(1, {code: (0, 0, 0, 0) for code in range(256)} | colours)


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def layer_file_stem(name: str) -> str:
    """File name's stem of a layer; a name unsafe as one is slugged and marked by its hash."""
    if re.fullmatch(r"[a-z0-9_]{1,60}", name) and not name.startswith("suitability_"):
        return name
    return f"{file_stem(name)}_{sha256(name.encode()).hexdigest()[:8]}"
