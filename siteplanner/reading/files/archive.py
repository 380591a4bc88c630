"""Looks into KML, GPX, KMZ and XLSX before a library unpacks them: nothing may swell."""

from __future__ import annotations

import zipfile
import zlib
from pathlib import Path, PurePosixPath

from siteplanner.base.errors import input_error

#: What a hand-drawn map or a grower's table unpacks to at most.
LARGEST_BYTES = 200_000_000
MOST_PARTS = 10_000
_XML = (".kml", ".gpx", ".gml", ".xml")
_PACKED = (".kmz", ".xlsx", ".zip")


def must_not_swell(path: Path, remedy: str) -> None:
    """Raise :class:`~siteplanner.InputError` for an archive or XML that would swell.

    Sizes are added up as the archive's list tells them, without unpacking; XML may declare no
    entities, which multiply. ``remedy`` is the format to save in instead.
    """
    ending = path.suffix.lower()
    if ending in _XML:
        with path.open("rb") as stream:
            _no_entities(path, stream.read(LARGEST_BYTES), remedy)
    if ending not in _PACKED:
        return
    try:
        with zipfile.ZipFile(path) as packed:
            parts = packed.infolist()
            size = sum(part.file_size for part in parts)
            if size > LARGEST_BYTES or len(parts) > MOST_PARTS:
                raise input_error(path, "", f"it unpacks to {size / 1e6:.0f} MB", remedy)
            for part in parts:
                steps = PurePosixPath(part.filename.replace("\\", "/"))
                if steps.is_absolute() or ".." in steps.parts:
                    raise input_error(
                        path,
                        "",
                        f"its part {part.filename!r} would be unpacked outside its folder",
                        "pack it again, or " + remedy,
                    )
                if part.filename.lower().endswith(_XML) and ending != ".zip":
                    with packed.open(part) as stream:
                        _no_entities(path, stream.read(size + 1), remedy)
    except (
        zipfile.BadZipFile,
        zlib.error,
        OSError,
        EOFError,
        NotImplementedError,
        RuntimeError,
        ValueError,
    ) as error:
        raise input_error(path, "", f"it cannot be unpacked ({error})", remedy) from None


def _no_entities(path: Path, text: bytes, remedy: str) -> None:
    plain = text.replace(b"\0", b"")  # the same letters in UTF-16
    if b"<!ENTITY" in plain:
        raise input_error(
            path, "", "it declares XML entities, which are not accepted", f"{remedy}, without them"
        )


def geodata_in(path: Path) -> str:
    """Give the path that geodata is opened by: a KMZ's own KML, else the file itself.

    Raises :class:`~siteplanner.InputError` for what would swell and for an empty KMZ.
    """
    remedy = "save it again as a GeoPackage"
    must_not_swell(path, remedy)
    if path.suffix.lower() != ".kmz":
        return str(path)
    with zipfile.ZipFile(path) as packed:
        inside = [part for part in packed.namelist() if part.lower().endswith(".kml")]
    if not inside:
        raise input_error(path, "", "it has no KML", remedy)
    return f"/vsizip/{{{path.absolute()}}}/{inside[0]}"
