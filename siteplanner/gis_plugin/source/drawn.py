"""Brings a plan's project into the one that is open: one group, in order, styled."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from qgis.core import QgsLayerTree, QgsProject

_MARK = "siteplanner/folder"


def draw(project: Any, plan: Path) -> Any:
    """Load the layers of ``plan.qgz`` into one group, in the place of an earlier one; give it."""
    source = QgsProject()
    if not source.read(str(plan / "plan.qgz")):
        return None
    root, place = project.layerTreeRoot(), 0
    for node in list(root.children()):
        if QgsLayerTree.isGroup(node) and node.customProperty(_MARK, "") == str(plan):
            place = root.children().index(node)
            project.removeMapLayers(node.findLayerIds())
            root.removeChildNode(node)
    group = root.insertGroup(place, source.title())
    group.setCustomProperty(_MARK, str(plan))
    _copy(source.layerTreeRoot(), group, project)
    if not project.crs().isValid():
        project.setCrs(source.crs())
    return group


def _copy(tree: Any, group: Any, project: Any) -> None:
    for node in tree.children():
        if QgsLayerTree.isGroup(node):
            inner = group.addGroup(node.name())
            _copy(node, inner, project)
        else:
            layer = node.layer().clone()
            project.addMapLayer(layer, False)
            inner = group.addLayer(layer)
        inner.setItemVisibilityChecked(node.itemVisibilityChecked())
        inner.setExpanded(node.isExpanded())
