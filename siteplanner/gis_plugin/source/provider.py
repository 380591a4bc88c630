"""The provider of algorithms, and the plugin that adds it to the GIS."""

from pathlib import Path

from qgis.core import QgsApplication, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithms import Check, Place, Plan, Replan


class Provider(QgsProcessingProvider):
    """All algorithms of siteplanner."""

    def loadAlgorithms(self):
        for algorithm in (Plan(), Check(), Replan(), Place()):
            self.addAlgorithm(algorithm)

    def id(self):
        return "siteplanner"

    def name(self):
        return "siteplanner"

    def icon(self):
        return QIcon(str(Path(__file__).with_name("icon.svg")))


class Plugin:
    """What the GIS loads: it adds the provider, and takes it away again."""

    def __init__(self, iface):
        self.iface, self.provider = iface, None

    def initProcessing(self):
        self.provider = Provider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self):
        self.initProcessing()

    def unload(self):
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
