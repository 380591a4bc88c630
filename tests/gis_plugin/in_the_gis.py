"""Run by the desktop GIS's own Python: installs the plugin into an empty profile and uses it.

``in_the_gis.py JOB``: JOB is a JSON file that names the zip, the profile, a folder to work in and
the steps to take. Each step's result is a line of ``said.jsonl`` in that folder, written at once:
this GIS may crash while it shuts down, so its exit code says nothing.
"""

import json
import os
import sys
import threading
import time
import traceback
import zipfile
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
JOB = json.loads(Path(sys.argv[1]).read_text("utf-8"))
PROFILE, WORK = Path(JOB["profile"]), Path(JOB["work"])
os.environ["QGIS_CUSTOM_CONFIG_PATH"] = str(PROFILE)

from qgis.core import (  # noqa: E402
    Qgis,
    QgsApplication,
    QgsLayerTree,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsRasterLayer,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize  # noqa: E402


class Feedback(QgsProcessingFeedback):
    """Keeps what is said; cancels when ``cancel_at`` is said."""

    def __init__(self, cancel_at=None):
        super().__init__()
        self.cancel_at, self.said, self.warned, self.bar = cancel_at, [], [], []
        self.progressChanged.connect(self.bar.append)

    def pushInfo(self, text):
        self.said.append(text)
        if self.cancel_at and self.cancel_at in text:
            self.cancel()

    def pushWarning(self, text):
        self.warned.append(text)

    def reportError(self, text, fatal=False):
        self.said.append(text)


def installed():
    """Put the plugin into the profile and load it, as the GIS does when it starts."""
    plugins = PROFILE / "python" / "plugins"
    plugins.mkdir(parents=True)
    zipfile.ZipFile(JOB["zip"]).extractall(plugins)
    sys.path[:0] = [str(plugins), "/usr/share/qgis/python/plugins", "/usr/share/qgis/python"]
    # Lead astray what is started from here, as a GIS does that brings libraries of its own.
    os.environ |= {"PYTHONHOME": "/nowhere", "PYTHONPATH": "/nowhere", "GDAL_SKIP": "GPKG,GTiff"}
    import qgis.utils
    from processing.core.Processing import Processing

    Processing.initialize()
    qgis.utils.plugin_paths.append(str(plugins))
    qgis.utils.updateAvailablePlugins()
    assert qgis.utils.loadPlugin("siteplanner"), "the plugin does not load"
    assert qgis.utils.startProcessingPlugin("siteplanner"), "the plugin does not start"
    provider = QgsApplication.processingRegistry().providerById("siteplanner")
    return {"algorithms": sorted(a.name() for a in provider.algorithms()), "gis": Qgis.QGIS_VERSION}


def in_memory(path, layer, name=None, crs=True):
    """Give a layer of a file as a layer in memory."""
    source = QgsVectorLayer(f"{path}|layername={layer}" if layer else path, name or layer, "ogr")
    assert source.isValid(), path
    copy = source.materialize(__import__("qgis.core").core.QgsFeatureRequest())
    copy.setName(name or layer or Path(path).stem)
    if not crs:
        from qgis.core import QgsCoordinateReferenceSystem

        copy.setCrs(QgsCoordinateReferenceSystem())
    assert copy.dataProvider().name() == "memory"
    return copy


def parameters(given):
    """Make the algorithm's parameters: layers in memory, rasters, and all else as it is."""
    made = {}
    for name, value in given.items():
        if name == "DEM":
            made[name] = QgsRasterLayer(value, "dem")
        elif isinstance(value, dict):
            made[name] = in_memory(**value)
        elif isinstance(value, list):
            made[name] = [in_memory(**one) for one in value]
        else:
            made[name] = value
        if hasattr(made[name], "id"):
            HELD.append(made[name])
    return made


HELD = []


def run(algorithm, given, cancel_at=None):
    """Run an algorithm as the GIS does, results drawn in the project."""
    import processing

    feedback, context = Feedback(cancel_at), QgsProcessingContext()
    context.setProject(QgsProject.instance())
    start = time.monotonic()
    try:
        results = processing.run(
            f"siteplanner:{algorithm}", parameters(given), feedback=feedback, context=context
        )
        error = ""
    except Exception as wrong:
        results, error = {}, str(wrong)
    return {
        "results": {k: v for k, v in results.items() if isinstance(v, (str, int, float))},
        "error": error,
        "said": feedback.said,
        "warned": feedback.warned,
        "bar": feedback.bar,
        "seconds": round(time.monotonic() - start, 1),
        "tree": tree(QgsProject.instance().layerTreeRoot()),
    }


def tree(group):
    """Give a layer tree as lists of name, whether it is shown, and what is in it."""
    return [
        [node.name(), node.itemVisibilityChecked(), tree(node)]
        if QgsLayerTree.isGroup(node)
        else [node.name(), node.itemVisibilityChecked(), bool(node.layer().isValid())]
        for node in group.children()
    ]


def layers_of(project):
    return [n.layer() for n in project.layerTreeRoot().findLayers() if n.isVisible()]


def render(project, picture, extent, size=(800, 800), crs=None):
    """Draw what a project shows of its plan's extent."""
    from qgis.core import QgsCoordinateReferenceSystem, QgsRectangle

    settings = QgsMapSettings()
    settings.setLayers(layers_of(project))
    settings.setDestinationCrs(QgsCoordinateReferenceSystem(crs) if crs else project.crs())
    settings.setExtent(QgsRectangle(*extent))
    settings.setOutputSize(QSize(*size))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    assert job.renderedImage().save(picture), picture
    return {"scale": settings.scale(), "errors": [e.message for e in job.errors()]}


def step_show(plan):
    """Draw a plan that is there already, as the plugin does."""
    from siteplanner.drawn import draw

    return {"drawn": draw(QgsProject.instance(), Path(plan)) is not None}


def step_open(path, picture, extent, crs=None, size=(800, 800)):
    """Open a project by itself, as a double click does."""
    project = QgsProject()
    read = project.read(path)
    zones = project.mapLayersByName("Zones")[0]
    trees = project.mapLayersByName("Trees")[0]
    rasters = [one for one in project.mapLayers().values() if isinstance(one, QgsRasterLayer)]
    return {
        "read": read,
        "valid": all(one.isValid() for one in project.mapLayers().values()),
        "tree": tree(project.layerTreeRoot()),
        "aliases": {f.name(): zones.attributeAlias(i) for i, f in enumerate(zones.fields())},
        "abstract": zones.metadata().abstract(),
        "cautions": [c.constraint for c in zones.metadata().constraints()],
        "trees from": trees.minimumScale() if trees.hasScaleBasedVisibility() else None,
        "tree fields": [f.name() for f in trees.fields()],
        "renderers": sorted({one.renderer().type() for one in rasters}),
        "drawn": render(project, picture, extent, size, crs),
    }


def step_raster(path):
    """Open one raster by itself: the style beside it counts."""
    layer = QgsRasterLayer(path, "one")
    return {
        "renderer": layer.renderer().type(),
        "legend": [label for label, _ in layer.renderer().legendSymbologyItems()],
    }


def step_move(package, zone, metres, into):
    """Move a zone's edge into the one beside it, in the layer that is drawn, and save."""
    [layer] = [
        one for one in QgsProject.instance().mapLayers().values()
        if one.source() == f"{package}|layername=zones"
    ]  # fmt: skip
    by = {f["zone"]: f for f in layer.getFeatures()}
    grown, beside = by[zone].geometry(), by[into].geometry()
    # One edge, without scraps of either zone that would be too small to plant.
    strips = grown.buffer(metres, 8).intersection(beside).asGeometryCollection()
    taken = max(strips, key=lambda part: part.area())
    for part in beside.difference(taken).asGeometryCollection():
        if part.area() < 500 and part.intersects(taken.buffer(0.01, 4)):
            taken = taken.combine(part)
    assert layer.startEditing()
    assert layer.changeGeometry(by[zone].id(), grown.combine(taken))
    assert layer.changeGeometry(by[into].id(), beside.difference(taken))
    saved = layer.commitChanges()
    asked = {f["zone"]: f.geometry().asWkt(6) for f in layer.getFeatures()}
    return {"saved": saved, "errors": layer.commitErrors(), "asked": asked, "moved": taken.area()}


def step_run(**words):
    return run(**words)


def main():
    app = QgsApplication([], True)
    app.initQgis()
    said = (WORK / "said.jsonl").open("w", encoding="utf-8")
    for step in [{"do": "install"}, *JOB["steps"]]:
        words = dict(step)
        do = words.pop("do")
        try:
            made = installed() if do == "install" else globals()[f"step_{do}"](**words)
        except Exception:
            made = {"failed": traceback.format_exc()}
        said.write(json.dumps(made) + "\n")
        said.flush()
        os.fsync(said.fileno())
        if "failed" in made:
            break
    said.close()
    os._exit(0)  # shutting down is where it may crash


if __name__ == "__main__":
    threading.excepthook = lambda args: None
    main()
