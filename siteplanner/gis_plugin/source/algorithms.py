"""The algorithms: they pick layers, call siteplanner and draw what it made."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingOutputFolder,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProject,
)

from .call import Called, Event, call
from .drawn import draw
from .inputs import DATA, FILES, KEEP_CLEAR, VECTORS, kept, write_keep_clear, write_source

ZONES = "my_zones.gpkg"
_CAUTION = (
    "Everything is an estimate from maps, a few readings and a table of tolerances. Walk the "
    "ground before you order or dig, have buried services located, and follow local codes."
)
_TITLES = {
    "BOUNDARY": "Boundary of the property",
    "DEM": "Heights of the bare ground (DEM)",
    "SPECIES": "Table of species (CSV or XLSX)",
    "FOLDER": "Folder of the site; the plan goes into it",
    "PADDOCKS": "Paddocks, with name and plant (1 or 0)",
    "SOILS": "Soils",
    "KEEP_CLEAR": "To keep clear of: power lines, buildings, tracks, pipes, water …",
    "FROST": "Frost readings",
    "HOLLOWS": "Frost hollows drawn by hand",
    "CLIMATE": "Monthly climate of a station (CSV)",
    "WINTER_MINIMA": "Coldest night of each winter at the station (CSV)",
    "STATION_ELEVATION": "Elevation of the station, m",
    "NAME": "Name of the property",
    "OVERWRITE": "Replace a plan though its plan.gpkg was edited",
    "ZONES": "Zones as you moved them; without it those of the plan",
    "STOCK": "Plants on hand (CSV with species and plants)",
    "ONE": "Or one species, its botanical name",
    "NUMBER": "and how many of it",
    "SHOW": "Draw the plan in this project",
}


class _Algorithm(QgsProcessingAlgorithm):
    """What all algorithms share."""

    TITLE = HELP = ""
    _made: Path | None = None

    def createInstance(self) -> Any:
        return type(self)()

    def name(self) -> str:
        return type(self).__name__.lower()

    def displayName(self) -> str:
        return self.TITLE

    def shortHelpString(self) -> str:
        return f"{self.HELP}\n\n{_CAUTION}"

    def _file(self, name: str, optional: bool = True) -> None:
        self.addParameter(QgsProcessingParameterFile(name, _TITLES[name], optional=optional))

    def _site_folder(self) -> None:
        self.addParameter(
            QgsProcessingParameterFile(
                "FOLDER", "Folder of the site that was planned", QgsProcessingParameterFile.Folder
            )
        )

    def _show(self) -> None:
        self.addParameter(QgsProcessingParameterBoolean("SHOW", _TITLES["SHOW"], True))

    def _plan_outputs(self) -> None:
        self.addOutput(QgsProcessingOutputFolder("PLAN", "Folder of the plan"))
        self.addOutput(QgsProcessingOutputFile("PROJECT", "Project with the plan drawn"))
        self.addOutput(QgsProcessingOutputNumber("TREES", "Trees in the plan"))

    def _ask(
        self,
        words: Sequence[object],
        feedback: Any,
        files: Mapping[Path, str] | None = None,
        **how: Any,
    ) -> Called:
        """Call siteplanner; what is wrong is said with the name of the parameter it belongs to."""
        told = call(words, feedback, **how)
        if told.code == 0:  # also where somebody cancelled when all was done
            for text in told.warnings:
                feedback.pushWarning(text)
            return told
        if told.stopped:
            raise QgsProcessingException("Stopped; nothing was changed.")
        said = [_fault(fault, files or {}) for fault in told.faults]
        if not said:
            said = [told.why, *told.said[-3:]]
        raise QgsProcessingException("\n".join(line for line in said if line))

    def postProcessAlgorithm(self, context: Any, feedback: Any) -> dict[str, Any]:
        made, self._made = self._made, None
        project = context.project()
        if made is not None and project is not None and draw(project, made) is None:
            feedback.reportError(f"{made / 'plan.qgz'} cannot be opened")
        return {}

    def _results(self, told: Called, plan: Path, show: bool) -> dict[str, Any]:
        self._made = plan if show else None
        [answer] = [one for one in told.answers if one["about"] == "plan"]
        trees = answer["content"]["trees_total"]
        return {"PLAN": str(plan), "PROJECT": str(plan / "plan.qgz"), "TREES": trees}


def _fault(fault: Event, files: Mapping[Path, str]) -> str:
    """Say what is wrong, at the parameter whose file it is in."""
    name = files.get(Path(fault["file"]).resolve())
    where = f", {fault['where']}" if fault["where"] else ""
    at = f"{_TITLES[name]} ({name})" if name else fault["file"]
    return f"{at}{where}: {fault['what']}; {fault['remedy']}."


class _FromLayers(_Algorithm):
    """An algorithm that starts from layers."""

    def _inputs(self) -> None:
        areas, points = QgsProcessing.TypeVectorPolygon, QgsProcessing.TypeVectorPoint
        forms = {"BOUNDARY": areas, "PADDOCKS": areas, "SOILS": areas, "FROST": points,
                 "HOLLOWS": areas}  # fmt: skip

        def vector(name: str) -> None:
            self.addParameter(
                QgsProcessingParameterFeatureSource(
                    name, _TITLES[name], [forms[name]], optional=name != "BOUNDARY"
                )
            )

        vector("BOUNDARY")
        self.addParameter(QgsProcessingParameterRasterLayer("DEM", _TITLES["DEM"]))
        self._file("SPECIES", optional=False)
        vector("PADDOCKS")
        vector("SOILS")
        self.addParameter(
            QgsProcessingParameterMultipleLayers(
                "KEEP_CLEAR",
                _TITLES["KEEP_CLEAR"],
                QgsProcessing.TypeVectorAnyGeometry,
                optional=True,
            )
        )
        vector("FROST")
        vector("HOLLOWS")
        self._file("CLIMATE")
        self._file("WINTER_MINIMA")
        self.addParameter(
            QgsProcessingParameterNumber(
                "STATION_ELEVATION",
                _TITLES["STATION_ELEVATION"],
                QgsProcessingParameterNumber.Double,
                optional=True,
            )
        )
        self.addParameter(QgsProcessingParameterString("NAME", _TITLES["NAME"], optional=True))

    def checkParameterValues(self, parameters: Any, context: Any) -> tuple[bool, str]:
        fine, said = super().checkParameterValues(parameters, context)
        if not fine:
            return fine, said
        wrong = []
        for name in VECTORS:
            source = self.parameterAsSource(parameters, name, context)
            if source is not None and not source.sourceCrs().isValid():
                wrong.append(f"{_TITLES[name]} ({name}): it has no CRS; set the layer's CRS.")
        for layer in self.parameterAsLayerList(parameters, "KEEP_CLEAR", context) or ():
            if not layer.crs().isValid():
                words = f"{layer.name()} has no CRS; set the layer's CRS."
                wrong.append(f"{_TITLES['KEEP_CLEAR']} (KEEP_CLEAR): {words}")
        dem = self.parameterAsRasterLayer(parameters, "DEM", context)
        if dem is None or not Path(dem.source()).is_file():
            wrong.append(f"{_TITLES['DEM']} (DEM): it is not a file; save the raster as GeoTIFF.")
        elif not dem.crs().isValid():
            wrong.append(f"{_TITLES['DEM']} (DEM): it has no CRS; set the raster's CRS.")
        for name in FILES:
            path = self.parameterAsFile(parameters, name, context)
            if path and not Path(path).is_file():
                wrong.append(f"{_TITLES[name]} ({name}): {path} is not there; choose the file.")
        return not wrong, "\n".join(wrong)

    def _new_site(
        self, folder: Path, parameters: Any, context: Any, feedback: Any
    ) -> dict[Path, str]:
        """Write the layers and the site file into a folder; give the files by parameter."""
        data = folder / DATA
        data.mkdir(exist_ok=True)
        words: list[object] = ["new", folder, "--replace", "--bare"]
        files: dict[Path, str] = {}
        for name, (stem, option) in VECTORS.items():
            source = self.parameterAsSource(parameters, name, context)
            if source is not None:
                path = data / f"{stem}.gpkg"
                path.unlink(missing_ok=True)
                write_source(source, path, stem, context)
                words += [option, path]
                files[path.resolve()] = name
        layers = self.parameterAsLayerList(parameters, "KEEP_CLEAR", context)
        if layers:
            path = data / f"{KEEP_CLEAR}.gpkg"
            path.unlink(missing_ok=True)
            write_keep_clear(layers, path, context, feedback)
            words += ["--no-plant", path]
            files[path.resolve()] = "KEEP_CLEAR"
        dem = Path(self.parameterAsRasterLayer(parameters, "DEM", context).source())
        words += ["--dem", dem]
        files[dem.resolve()] = "DEM"
        for name, option in FILES.items():
            path = self.parameterAsFile(parameters, name, context)
            if path:
                words += [option, path]
                files[Path(path).resolve()] = name
        if parameters.get("STATION_ELEVATION") is not None:
            height = self.parameterAsDouble(parameters, "STATION_ELEVATION", context)
            words += ["--station-elevation", height]
        name = self.parameterAsString(parameters, "NAME", context)
        if name:
            words += ["--name", name]
        self._ask(words, feedback, files, part=(0, 2))
        return files


class Plan(_FromLayers):
    """Make the whole plan from layers."""

    TITLE = "Make a planting plan"
    HELP = (
        "Writes a site into the folder (site.toml, and the layers as files) and plans it. Settings "
        "in an earlier site.toml there stay. The plan is drawn in one group; the next run replaces "
        "it. A plan whose plan.gpkg you edited is not replaced unless you say so: to keep zones "
        "that you moved, run the algorithm for zones moved by hand."
    )

    def initAlgorithm(self, config: Any = None) -> None:
        self._inputs()
        self.addParameter(QgsProcessingParameterFolderDestination("FOLDER", _TITLES["FOLDER"]))
        self.addParameter(QgsProcessingParameterBoolean("OVERWRITE", _TITLES["OVERWRITE"], False))
        self._show()
        self._plan_outputs()

    def processAlgorithm(self, parameters: Any, context: Any, feedback: Any) -> dict[str, Any]:
        folder = Path(self.parameterAsString(parameters, "FOLDER", context)).resolve()
        plan = folder / "plan"
        words: list[object] = ["plan", folder / "site.toml", "--out", plan]
        if self.parameterAsBoolean(parameters, "OVERWRITE", context):
            words.append("--overwrite")
        with kept(folder, ("site.toml", DATA)):
            files = self._new_site(folder, parameters, context, feedback)
            told = self._ask(words, feedback, files, part=(2, 100))
        return self._results(told, plan, self.parameterAsBoolean(parameters, "SHOW", context))


class Check(_FromLayers):
    """Read all layers, and say what was understood."""

    TITLE = "Check the layers for a planting plan"
    HELP = "Reads everything, says what it understood and what is wrong, and keeps nothing."

    def initAlgorithm(self, config: Any = None) -> None:
        self._inputs()
        self.addOutput(QgsProcessingOutputString("UNDERSTOOD", "What was understood"))

    def processAlgorithm(self, parameters: Any, context: Any, feedback: Any) -> dict[str, Any]:
        with tempfile.TemporaryDirectory(prefix="siteplanner-") as made:
            folder = Path(made)
            files = self._new_site(folder, parameters, context, feedback)
            told = self._ask(["check", folder / "site.toml"], feedback, files)
        [answer] = told.answers
        for line in answer["content"]["understood"]:
            feedback.pushInfo(line)
        feedback.pushInfo("Nothing is wrong with the layers.")
        return {"UNDERSTOOD": "\n".join(answer["content"]["understood"])}


class Replan(_Algorithm):
    """Plan again with zones that somebody moved."""

    TITLE = "Plan again with zones moved by hand"
    HELP = (
        "Move the edges of zones on the map, save the layer, and run this: the zones stay as you "
        "drew them, and everything else is planned again. They are kept as my_zones.gpkg in the "
        "site's folder."
    )

    def initAlgorithm(self, config: Any = None) -> None:
        self._site_folder()
        self.addParameter(
            QgsProcessingParameterFeatureSource(
                "ZONES", _TITLES["ZONES"], [QgsProcessing.TypeVectorPolygon], optional=True
            )
        )
        self._show()
        self._plan_outputs()

    def checkParameterValues(self, parameters: Any, context: Any) -> tuple[bool, str]:
        fine, said = super().checkParameterValues(parameters, context)
        if not fine:
            return fine, said
        folder = Path(self.parameterAsString(parameters, "FOLDER", context))
        if not (folder / "plan" / "plan.gpkg").is_file():
            return False, f"Folder (FOLDER): {folder} has no plan; make one first."
        open_here = [
            layer.name()
            for layer in (context.project() or QgsProject.instance()).mapLayers().values()
            if layer.source().startswith(str(folder.resolve() / "plan" / "plan.gpkg"))
            and getattr(layer, "isModified", lambda: False)()
        ]
        if open_here:
            return False, f"Zones (ZONES): {', '.join(open_here)} has edits; save them first."
        return True, ""

    def processAlgorithm(self, parameters: Any, context: Any, feedback: Any) -> dict[str, Any]:
        folder = Path(self.parameterAsString(parameters, "FOLDER", context)).resolve()
        plan = folder / "plan"
        layer = self.parameterAsVectorLayer(parameters, "ZONES", context)
        own = layer is None or layer.source().split("|")[0] == str(plan / "plan.gpkg")
        with kept(folder, ("site.toml", ZONES)):
            path = folder / ZONES
            path.unlink(missing_ok=True)
            if own:  # with its blocks, by which a zone that nobody moved is known
                _copy_base(plan / "plan.gpkg", path)
            else:
                source = self.parameterAsSource(parameters, "ZONES", context)
                write_source(source, path, "zones", context)
            files = {path.resolve(): "ZONES"}
            change = f"decisions.zones={path.name}"
            self._ask(["set", folder / "site.toml", change], feedback, files, part=(0, 2))
            words = ["plan", folder / "site.toml", "--out", plan, "--overwrite"]
            told = self._ask(words, feedback, files, part=(2, 100))
        return self._results(told, plan, self.parameterAsBoolean(parameters, "SHOW", context))


def _copy_base(source: Path, target: Path) -> None:
    """Copy a GeoPackage as it is now, also what lies in a journal beside it."""
    before, after = sqlite3.connect(source), sqlite3.connect(target)
    try:
        before.backup(after)
        after.execute("PRAGMA journal_mode = DELETE")
    finally:
        before.close()
        after.close()


class Place(_Algorithm):
    """Say where plants on hand may go."""

    TITLE = "Say where plants on hand may go"
    HELP = "Names one to three ready blocks with the rows to fill; the plan stays as it is."

    def initAlgorithm(self, config: Any = None) -> None:
        self._site_folder()
        self._file("STOCK")
        self.addParameter(QgsProcessingParameterString("ONE", _TITLES["ONE"], optional=True))
        self.addParameter(
            QgsProcessingParameterNumber(
                "NUMBER", _TITLES["NUMBER"], optional=True, minValue=1, maxValue=10_000_000
            )
        )
        self.addOutput(QgsProcessingOutputString("ANSWER", "Where they may go"))

    def processAlgorithm(self, parameters: Any, context: Any, feedback: Any) -> dict[str, Any]:
        folder = Path(self.parameterAsString(parameters, "FOLDER", context)).resolve()
        words: list[object] = ["place", folder / "site.toml", "--plan", folder / "plan"]
        stock = self.parameterAsFile(parameters, "STOCK", context)
        one = self.parameterAsString(parameters, "ONE", context)
        if stock:
            words += ["--stock", stock]
        if one:
            words += ["--species", one]
        if parameters.get("NUMBER") is not None:
            words += ["--number", self.parameterAsInt(parameters, "NUMBER", context)]
        told = self._ask(words, feedback, as_json=False)
        for line in told.said:
            feedback.pushInfo(line)
        return {"ANSWER": "\n".join(told.said)}
