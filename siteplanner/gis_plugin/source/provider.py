"""The provider of algorithms, and the plugin that adds it to the GIS."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from qgis.core import QgsApplication, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithms import Check, Place, Plan, Replan


class Provider(QgsProcessingProvider):
    """All algorithms of siteplanner."""

    def loadAlgorithms(self) -> None:
        for algorithm in (Plan(), Check(), Replan(), Place()):
            self.addAlgorithm(algorithm)

    def id(self) -> str:
        return "siteplanner"

    def name(self) -> str:
        return "siteplanner"

    def icon(self) -> Any:
        return QIcon(str(Path(__file__).with_name("icon.svg")))


class Plugin:
    """What the GIS loads: it adds the provider, and takes it away again."""

    def __init__(self, iface: Any) -> None:
        self.iface = iface
        self.provider: Any = None

    def initProcessing(self) -> None:
        self.provider = Provider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:
        self.initProcessing()

    def unload(self) -> None:
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
