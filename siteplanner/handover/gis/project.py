"""``plan.qgz``: the project in which a desktop GIS opens the whole plan drawn as on the map.

Paths in it are relative, so that the folder may be moved. Every layer's look is that of the
style beside it: ``layer_styles`` in the GeoPackage, a ``.qml`` beside each GeoTIFF.
"""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pyproj
import rasterio

from siteplanner.base.grid import BoolGrid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.plan_folder import PROJECT
from siteplanner.base.symbology.colours import ends
from siteplanner.base.symbology.qml import VERSION, vector_look, written
from siteplanner.base.symbology.styles import document, text_element
from siteplanner.base.text import xml_text
from siteplanner.handover.folder.results import GROUPS, PLAN, RELIEF, Result, results_in
from siteplanner.handover.gis.fields import words_for
from siteplanner.handover.gis.geopackage import SCHEMA
from siteplanner.handover.gis.plan_styles import style_of
from siteplanner.handover.gis.raster_looks import (
    Described,
    class_look,
    described,
    ramp_look,
    relief_look,
    sampled_ends,
    suitability_look,
)
from siteplanner.handover.gis.rasters import layer_file_stem
from siteplanner.plan import Plan

_MARGIN = 0.05
_GEOMETRY = {"MultiPolygon": "Polygon", "Polygon": "Polygon", "LineString": "Line",
             "Point": "Point", "Unknown": "Unknown"}  # fmt: skip


def write_project(plan: Plan, folder: Path) -> None:
    """Write a ``.qml`` beside every GeoTIFF in a plan's folder, and ``plan.qgz``.

    All layers must be there already. The same plan gives the same bytes.
    """
    infos = {layer_file_stem(name): info for name, info in plan.infos.items()}
    inside = plan.grid.cover(plan.boundary.geometry)
    maplayers = []
    # Nothing lies beside the rasters that belongs to one, so their folder need not be listed.
    with rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR"):
        results = [one for one in results_in(folder) if one.group]
        for one in results:
            if one.layer:
                look = vector_look(style_of(plan, one.layer), words_for(SCHEMA[one.layer][1]))
                about = [f"Part of the planting plan for {plan.name}."]
            else:
                path = folder / one.path
                with rasterio.open(path) as file:
                    look = _raster_look(plan, one, file, infos, inside)
                    about = _about(described(file))
                path.with_suffix(".qml").write_text(written(look), encoding="utf-8")
            maplayers.append(_maplayer(plan, one, look, about))
    _write_zip(folder / PROJECT, document(_project(plan, results, maplayers)))


def _raster_look(
    plan: Plan, one: Result, file: Any, infos: Mapping[str, LayerInfo], inside: BoolGrid
) -> ET.Element:
    """Draw a raster, whose ``file`` is open; ``infos`` are the layers' by the stems of files."""
    if one.role == "suitability":
        return suitability_look()
    if one.role == "hillshade":
        return relief_look()
    info = infos.get(Path(one.path).stem)
    if info is None:
        return ramp_look("viridis", *sampled_ends(file))
    if info.classes:
        return class_look(info)
    values = plan.layers.get(info.name)
    if values is None:
        return ramp_look(info.colours, *sampled_ends(file), info.unit)
    # The property alone, as on the map.
    return ramp_look(info.colours, *ends(values[inside]), info.unit)


def _about(found: Described) -> list[str]:
    parts = (("Unit", found.unit), ("Method", found.method), ("Source", found.source))
    return [f"{word}: {text}." for word, text in parts if text]


# --- the XML -------------------------------------------------------------------------------


def _project(plan: Plan, results: Iterable[Result], maplayers: list[ET.Element]) -> ET.Element:
    root = ET.Element("qgis", {"version": VERSION, "projectname": xml_text(plan.name)})
    text_element(root, "title", f"Planting plan for {plan.name}")
    ET.SubElement(root, "projectCrs").append(_crs(plan.grid.crs))
    tree = ET.SubElement(root, "layer-tree-group")
    results = list(results)
    for group in GROUPS:
        mine = [one for one in results if one.group == group]
        if mine:
            _group(tree, group, mine)
    extent = _extent(plan)
    canvas = ET.SubElement(root, "mapcanvas", {"name": "theMapCanvas", "annotationsVisible": "1"})
    text_element(canvas, "units", "meters")
    _corners(ET.SubElement(canvas, "extent"), extent)
    ET.SubElement(canvas, "destinationsrs").append(_crs(plan.grid.crs))
    ET.SubElement(root, "projectlayers").extend(maplayers)
    properties = ET.SubElement(root, "properties")
    paths = ET.SubElement(properties, "Paths")
    text_element(paths, "Absolute", "false").set("type", "bool")
    # Without it the project's CRS is not read.
    projected = ET.SubElement(properties, "SpatialRefSys")
    text_element(projected, "ProjectionsEnabled", "1").set("type", "int")
    view = ET.SubElement(root, "ProjectViewSettings", {"UseProjectScales": "0", "rotation": "0"})
    box = ET.SubElement(view, "DefaultViewExtent")
    for side, value in zip(("xmin", "ymin", "xmax", "ymax"), extent, strict=True):
        box.set(side, f"{value:.2f}")
    box.append(_crs(plan.grid.crs))
    return root


def _group(tree: ET.Element, name: str, results: list[Result]) -> None:
    relief = name == RELIEF  # on its own, without a box to open
    opened = {"expanded": "1" if name == PLAN else "0", "checked": "Qt::Checked"}
    holder = tree if relief else ET.SubElement(tree, "layer-tree-group", {"name": name, **opened})
    for one in results:
        node = {"id": _identifier(one), "name": xml_text(one.title), "legend_exp": ""}
        node |= {"checked": "Qt::Checked" if one.shown else "Qt::Unchecked"}
        many = not one.layer or one.layer in ("trees", "no_plant")
        node |= {"source": _source(one), "providerKey": _provider(one)}
        ET.SubElement(holder, "layer-tree-layer", {"expanded": str(int(not many)), **node})


def _maplayer(plan: Plan, one: Result, look: ET.Element, about: list[str]) -> ET.Element:
    kind = {"type": one.form, "autoRefreshEnabled": "0"}
    if one.layer:
        kind["geometry"] = _GEOMETRY[SCHEMA[one.layer][0]]
    layer = ET.Element("maplayer", kind | {k: v for k, v in look.items() if k != "version"})
    text_element(layer, "id", _identifier(one))
    text_element(layer, "datasource", _source(one))
    text_element(layer, "layername", one.title)
    ET.SubElement(layer, "srs").append(_crs(plan.grid.crs))
    about_it = ET.SubElement(layer, "resourceMetadata")
    text_element(about_it, "type", "dataset")
    text_element(about_it, "title", one.title)
    text_element(about_it, "abstract", " ".join([*about, "Made by siteplanner."]))
    for caution in plan.cautions:
        text_element(about_it, "constraints", caution).set("type", "caution")
    text_element(layer, "provider", _provider(one))
    layer.extend(list(look))
    return layer


def _identifier(one: Result) -> str:
    return f"siteplanner_{one.layer or Path(one.path).stem}"


def _source(one: Result) -> str:
    return f"./{one.path}" + (f"|layername={one.layer}" if one.layer else "")


def _provider(one: Result) -> str:
    return "ogr" if one.layer else "gdal"


def _crs(crs: pyproj.CRS) -> ET.Element:
    element = ET.Element("spatialrefsys")
    text_element(element, "wkt", crs.to_wkt())
    code = crs.to_authority()
    if code is not None:
        text_element(element, "authid", ":".join(code))
    return element


def _extent(plan: Plan) -> tuple[float, ...]:
    west, south, east, north = plan.boundary.total_bounds
    rim = _MARGIN * max(east - west, north - south)
    return west - rim, south - rim, east + rim, north + rim


def _corners(element: ET.Element, extent: tuple[float, ...]) -> None:
    for side, value in zip(("xmin", "ymin", "xmax", "ymax"), extent, strict=True):
        text_element(element, side, f"{value:.2f}")


def _write_zip(path: Path, text: str) -> None:
    entry = zipfile.ZipInfo(f"{path.stem}.qgs", date_time=(2000, 1, 1, 0, 0, 0))
    entry.external_attr = 0o644 << 16
    with zipfile.ZipFile(path, "w") as file:
        file.writestr(entry, text.encode("utf-8"), zipfile.ZIP_DEFLATED)
