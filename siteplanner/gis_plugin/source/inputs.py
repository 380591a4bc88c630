"""Writes the layers that somebody picked as files of a site, and names them to siteplanner."""

from __future__ import annotations

import contextlib
import re
import shutil
import tempfile
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsFeature,
    QgsField,
    QgsFields,
    QgsProcessingException,
    QgsVectorFileWriter,
)
from qgis.PyQt.QtCore import QVariant

from .call import ENVIRONMENT

#: Folder of a site that holds what was written of the layers.
DATA = "from_gis"
#: Parameter of a vector layer: name of its file and layer, option of ``siteplanner new``.
VECTORS = {
    "BOUNDARY": ("boundary", "--boundary"),
    "PADDOCKS": ("paddocks", "--paddocks"),
    "SOILS": ("soils", "--soils"),
    "FROST": ("frost_readings", "--frost"),
    "HOLLOWS": ("frost_hollows", "--hollows"),
}
KEEP_CLEAR = "keep_clear"
#: Parameters that are files: option of ``siteplanner new``.
FILES = {
    "SPECIES": "--species",
    "CLIMATE": "--monthly",
    "WINTER_MINIMA": "--winter-minima",
}


@contextlib.contextmanager
def kept(folder: Path, names: Collection[str]) -> Iterator[None]:
    """Where the block does not end well, put what is named back as it was, and take out the rest.

    ``names`` are files and folders in ``folder`` that the block may change.
    """
    made = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    there = {path.name for path in folder.iterdir()}
    with tempfile.TemporaryDirectory(prefix="siteplanner-") as aside:
        before = [name for name in names if (folder / name).exists()]
        for name in before:
            _copy(folder / name, Path(aside) / name)
        try:
            yield
        except BaseException:
            for path in list(folder.iterdir()):
                if path.name in names or path.name not in there:
                    _remove(path)
            for name in before:
                _copy(Path(aside) / name, folder / name)
            if made:
                with contextlib.suppress(OSError):
                    folder.rmdir()
            raise


def _copy(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target)
    else:
        shutil.copy2(source, target)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    elif path.exists():
        path.unlink()


def write_source(source: Any, path: Path, layer: str, context: Any) -> None:
    """Write features of any source, one in memory too, as a layer of a GeoPackage."""
    fields = QgsFields()
    taken = []
    for index, field in enumerate(source.fields()):
        if field.name().lower() != "fid":  # the file has one of its own
            fields.append(field)
            taken.append(index)
    rows = ((one.geometry(), [one.attributes()[i] for i in taken]) for one in source.getFeatures())
    _write(rows, fields, source.wkbType(), source.sourceCrs(), path, layer, context)


def write_keep_clear(layers: Iterable[Any], path: Path, context: Any, feedback: Any) -> None:
    """Write several layers of things to keep clear of, each with columns ``kind`` and ``name``.

    A layer without a column ``kind`` has one kind, which its name says (such as power lines).
    """
    fields = QgsFields()
    for name in ("kind", "name"):
        fields.append(QgsField(name, QVariant.String))
    for number, layer in enumerate(layers):
        columns = {field.name().lower(): i for i, field in enumerate(layer.fields())}
        kind = kind_of(layer.name())
        if "kind" not in columns:
            words = f"{layer.name()} has no column kind: all of it is taken as {kind}."
            (feedback.pushWarning if kind == "other" else feedback.pushInfo)(words)
        rows = (
            (one.geometry(), [_text(one, columns.get("kind"), kind),
                              _text(one, columns.get("name"), layer.name())])
            for one in layer.getFeatures()
        )  # fmt: skip
        name = f"{number + 1}"
        _write(rows, fields, layer.wkbType(), layer.crs(), path, name, context)


def kind_of(name: str) -> str:
    """Give the kind of things that a layer's name says; other where it says none."""
    bare = re.sub(r"[^a-z]+", "_", name.lower())
    found = [kind for kind in ENVIRONMENT["kinds"] if kind in bare]
    return str(max(found, key=len)) if found else "other"


def _text(feature: Any, column: int | None, otherwise: str) -> str:
    value = None if column is None else feature.attributes()[column]
    return str(value) if value not in (None, "") and str(value) != "NULL" else otherwise


def _write(
    rows: Iterable[tuple[Any, list[Any]]],
    fields: Any,
    form: Any,
    crs: Any,
    path: Path,
    layer: str,
    context: Any,
) -> None:
    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName, options.layerName = "GPKG", layer
    if path.exists():
        options.actionOnExistingFile = QgsVectorFileWriter.CreateOrOverwriteLayer
    writer = QgsVectorFileWriter.create(
        str(path), fields, form, crs, context.transformContext(), options
    )
    if writer.hasError() != QgsVectorFileWriter.NoError:
        raise QgsProcessingException(f"{path} cannot be written: {writer.errorMessage()}")
    for geometry, values in rows:
        feature = QgsFeature(fields)
        feature.setGeometry(geometry)
        feature.setAttributes(values)
        if not writer.addFeature(feature):
            raise QgsProcessingException(f"{path} cannot be written: {writer.errorMessage()}")
    del writer  # which writes what is left
