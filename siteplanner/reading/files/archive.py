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


#: What may be geodata in an archive, by its ending.
_GEODATA = (".shp", ".gpkg", ".kml", ".gml", ".geojson", ".json", ".gpx", ".fgb", ".tab", ".mif")


def geodata_in(path: Path) -> str | bytes:
    """Give what geodata is opened by: a KMZ's own KML, what a ZIP holds, else the file itself.

    A GML is given as its bytes, since its driver writes a file of its own beside what it opens.

    Raises :class:`~siteplanner.InputError` for what would swell, and for an archive without
    geodata or with several data sets.
    """
    remedy = "save it again as a GeoPackage"
    must_not_swell(path, remedy)
    ending = path.suffix.lower()
    if ending == ".gml":
        return path.read_bytes()
    if ending == ".kmz":
        with zipfile.ZipFile(path) as packed:
            inside = [part for part in packed.namelist() if part.lower().endswith(".kml")]
        if not inside:
            raise input_error(path, "", "it has no KML", remedy)
        return f"/vsizip/{{{path.absolute()}}}/{inside[0]}"
    return _in_zip(path) if ending == ".zip" else str(path)


def _in_zip(path: Path) -> str | bytes:
    """Find the one data set in a ZIP: a FileGDB, a folder of Shapefiles, or a file."""
    with zipfile.ZipFile(path) as packed:
        names = [PurePosixPath(part) for part in packed.namelist()]
        folders = {
            folder
            for name in names
            for folder in (name, *name.parents)
            if folder.suffix.lower() == ".gdb"
        }
        inside = [
            name
            for name in names
            if name.suffix.lower() in _GEODATA
            and "__MACOSX" not in name.parts
            and not folders & set(name.parents)
        ]
        # Shapefiles of one folder are opened together, as its layers.
        sets = folders | {
            name.parent if name.suffix.lower() == ".shp" and len(inside) > 1 else name
            for name in inside
        }
        if len(sets) != 1:
            several = ", ".join(sorted(map(str, sets)))
            raise input_error(
                path,
                "",
                f"it holds several data sets ({several})" if sets else "it holds no geodata",
                "unpack it and name the one that is meant" if sets else "check the archive",
            )
        [found] = sets
        if found.suffix.lower() == ".gml":
            return packed.read(str(found))
    return f"/vsizip/{{{path.absolute()}}}" + (f"/{found}" if found.name else "")
