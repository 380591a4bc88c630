"""The site that is on the desk: what the page may ask of it, and nothing else."""

from __future__ import annotations

import threading
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any

import pyproj

from siteplanner.after.place import Placed
from siteplanner.base.crs import crs_words
from siteplanner.base.errors import InputError, input_error
from siteplanner.base.symbology.kinds import (
    INDIGO,
    KINDS,
    OLIVE,
    PADDOCK,
    PURPLE,
    ROSE,
    WINE,
    Symbology,
)
from siteplanner.desk import species_list
from siteplanner.desk.drawing import under as lying_under
from siteplanner.desk.drawing.before import earlier, put_back
from siteplanner.desk.drawing.drawn import Drawn, drawn_of
from siteplanner.desk.drawing.features import layer_in, plain
from siteplanner.desk.drawing.following import follow_boundary, whole_of
from siteplanner.desk.drawing.held import refuse_held
from siteplanner.desk.drawing.saving import check_all, save
from siteplanner.desk.library import MISSING, openlayers
from siteplanner.desk.planned import damage, on_blocks
from siteplanner.desk.planned.shown_plan import ShownPlan
from siteplanner.desk.planned.trees import trees_of_plan
from siteplanner.desk.starting import fetching, page
from siteplanner.reading.files.true_metres import working_crs
from siteplanner.reading.species.table import read_species
from siteplanner.site.site_file import Site, load_site


class SiteDesk:
    """One site's folder. One thing at a time reads or writes its files."""

    def __init__(self, folder: Path, services: Path | None = None) -> None:
        self._services = services
        self.path = folder if folder.is_file() else folder / "site.toml"
        self._lock = threading.Lock()
        self._relief: tuple[object, lying_under.Relief] | None = None
        if not self.started and not self.folder.parent.is_dir():
            raise input_error(
                self.folder, "", "this folder does not exist, nor the one above it",
                "name a site's folder, or one to start a site in",
            )  # fmt: skip

    @property
    def folder(self) -> Path:
        """The site's folder."""
        return self.path.parent

    @property
    def started(self) -> bool:
        """Whether there is a site, or one must be started first."""
        return self.path.is_file()

    def starting(self) -> dict[str, Any]:
        """Say what there is to start from and what is asked."""
        return page.about(self.folder)

    def begin(self, asked: dict[str, Any]) -> list[str]:
        """Start the site; give what is still missing. Raises :class:`~siteplanner.InputError`."""
        with self._lock:
            self.folder.mkdir(exist_ok=True)
            return page.begin(self.folder, asked)

    def would_fetch(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Say what open data would be fetched. Raises :class:`~siteplanner.InputError`."""
        with self._lock:
            return fetching.would(self.folder, asked, self._services)

    def fetch(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Fetch open data and start the site. Raises :class:`~siteplanner.InputError`."""
        with self._lock:
            return fetching.fetched(self.folder, asked, self._services)

    @cached_property
    def plan(self) -> ShownPlan:
        """The plan, in maps/<site> in the site's own folder."""
        return ShownPlan(self.folder / "maps" / load_site(self.path).slug)

    def about(self) -> dict[str, Any]:
        """Say what the site is called, what is drawn of it and what is planned."""
        with self._lock:
            site = load_site(self.path)
            try:
                crs = crs_words(working_crs(site, []))
                wrong: list[str] = []
            except InputError as error:
                crs, wrong = "", [str(one) for one in error.errors]
            drawn = drawn_of(site).values()
        return {
            "name": site.site.name,
            "crs": crs,
            "sentences": wrong,
            "drawn": [_plain_drawn(one) for one in drawn],
            "looks": _looks(),
            "library": openlayers() is not None,
            "missing": MISSING,
            "plan": self.plan.about(),
        }

    def blocks(self) -> dict[str, Any]:
        """List the plan's blocks. Raises :class:`~siteplanner.InputError`."""
        with self._lock:
            return on_blocks.blocks_of(load_site(self.path), self.plan.folder)

    def mark(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Write what has become of blocks, and list them."""
        with self._lock:
            site = load_site(self.path)
            on_blocks.mark(site, self.plan.folder, asked)
            return on_blocks.blocks_of(site, self.plan.folder)

    def take_zones(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Take over the plan's zones, to be edited."""
        with self._lock:
            on_blocks.take_zones(load_site(self.path), self.plan.folder)
            return {}

    def trees(self) -> dict[str, Any] | None:
        """Give the plan's trees; None where there is none yet.

        Raises :class:`~siteplanner.InputError`.
        """
        if not self.plan.files():
            return None
        with self._lock:
            site = load_site(self.path)
            return trees_of_plan(site, self.plan.folder, working_crs(site, []))

    def where_to(self, asked: dict[str, Any]) -> Placed:
        """Find where plants on hand may go."""
        with self._lock:
            return on_blocks.where_to(load_site(self.path), self.plan.folder, asked)

    def damage(self) -> dict[str, Any]:
        """List the damage that is noted. Raises :class:`~siteplanner.InputError`."""
        with self._lock:
            return damage.damage_of(load_site(self.path))

    def note_damage(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Note damage, or take a line of it out; raises what :func:`damage.note` raises."""
        with self._lock:
            return damage.note(load_site(self.path), self.plan.folder, asked)

    def species(self) -> dict[str, Any]:
        """List the species. Raises :class:`~siteplanner.InputError`."""
        with self._lock:
            return species_list.species_of(load_site(self.path))

    def change_species(self, asked: dict[str, Any]) -> dict[str, Any]:
        """Change one species and list all; raises what :func:`species_list.change` raises."""
        with self._lock:
            species_list.change(load_site(self.path), asked)
            return species_list.species_of(load_site(self.path))

    def relief(self) -> lying_under.Relief:
        """Read the heights and draw the hillshade, once for each state of its files.

        Raises :class:`~siteplanner.InputError`.
        """
        with self._lock:
            site = load_site(self.path)
            paths = [
                site.path,
                *(site.folder / one for one in (*site.dem.files, site.boundary.file)),
            ]
            now = tuple((p, p.stat().st_mtime_ns, p.stat().st_size) for p in paths if p.exists())
            if self._relief is None or self._relief[0] != now:
                self._relief = now, lying_under.relief(site)
            return self._relief[1]

    def under(self) -> list[dict[str, str]]:
        """List what of the plan may lie under the drawing."""
        return lying_under.plan_layers(self.plan.folder, self.plan.files())

    def picture_under(self, name: str) -> lying_under.Picture | None:
        """Give the hillshade or a layer of the plan; None for a name that is not in the list.

        Raises :class:`~siteplanner.InputError`.
        """
        if name == "hillshade":
            return self.relief().shade
        if self.plan.file(f"layers/{name}.tif") is None:
            return None
        return lying_under.plan_picture(self.plan.folder, name, self._crs())

    def lines_under(self, name: str) -> dict[str, Any] | None:
        """Give contours, or outlines of the plan; None for a name that is not in the list.

        Raises :class:`~siteplanner.InputError`.
        """
        if name == "contours":
            relief = self.relief()
            return lying_under.contours(relief.heights, relief.grid)
        return lying_under.plan_features(self.plan.folder, name, self._crs())

    def earlier(self, name: str) -> dict[str, Any] | None:
        """List earlier versions of the file of a layer; None for a name that is not in the list."""
        with self._lock:
            path = self._file(name)
            if path is None:
                return None
            versions = [[one.number, one.changed] for one in earlier(path)]
            return {"file": path.name, "versions": versions}

    def put_back(self, name: str, number: int) -> dict[str, Any] | None:
        """Put an earlier version in place of a layer's file; None for a name not in the list.

        Raises :class:`~siteplanner.InputError` where it cannot be used.
        """
        with self._lock:
            path = self._file(name)
            if path is None:
                return None
            put_back(path, number, self._check_of(name, path))
            return {}

    def _file(self, name: str) -> Path | None:
        site = load_site(self.path)
        if name == "species":
            return site.folder / site.species.file
        drawn = drawn_of(site).get(name)
        return drawn.path if drawn is not None and drawn.editable else None

    def _check_of(self, name: str, path: Path) -> Callable[[Path], None]:
        site = load_site(self.path)
        if name == "species":
            return _can_be_read
        refuse_held(path)
        same = [one for one in drawn_of(site).values() if one.path == path and one.there]
        return lambda beside: check_all(site, same, beside, working_crs(site, []))

    def _crs(self) -> pyproj.CRS:
        with self._lock:
            return working_crs(load_site(self.path), [])

    def layer(self, name: str) -> dict[str, Any] | None:
        """Give one layer's features; None for a name that is not in the list.

        Raises :class:`~siteplanner.InputError`.
        """
        with self._lock:
            site = load_site(self.path)
            return self._layer(drawn_of(site).get(name), working_crs(site, []))

    def save(self, name: str, version: str, features: Any) -> dict[str, Any] | None:
        """Save one layer and give it as it is then; None for a name that is not in the list.

        Raises what :func:`~siteplanner.desk.drawing.saving.save` raises.
        """
        with self._lock:
            site = load_site(self.path)
            drawn = drawn_of(site).get(name)
            if drawn is None or not drawn.editable:
                return None
            crs = working_crs(site, [])
            before = whole_of(site, crs) if drawn.part == "boundary" else None
            notes = save(site, drawn, version, features, crs)
            site = load_site(self.path)
            followed = () if before is None else follow_boundary(site, before, crs)
            if before is not None:
                crs = working_crs(site, [])
            found = self._layer(drawn_of(site).get(_again(name, drawn, site)), crs)
            return found and {**found, "notes": notes, "followed": followed}

    def _layer(self, drawn: Drawn | None, crs: pyproj.CRS) -> dict[str, Any] | None:
        if drawn is None:
            return None
        layer = layer_in(drawn, crs)
        return {
            "drawn": _plain_drawn(drawn),
            "version": layer.version,
            "features": plain(layer),
        }


def _can_be_read(species: Path) -> None:
    read_species(species)


def _looks() -> dict[str, tuple[str, tuple[float, ...]]]:
    """How things are drawn on the page: colour and dashes (mm), by kind or part of the site."""
    own = {
        "paddocks": PADDOCK,
        "soils": Symbology("soil", OLIVE, 0.4),
        "zones": Symbology("zone", WINE, 0.6),
        "hollows": Symbology("frost hollow", INDIGO, 0.4, (1.6, 1.3)),
        "thermometers": Symbology("thermometer", PURPLE, 0.4),
        "seed_sources": Symbology("mother tree", ROSE, 0.4),
    }
    return {name: (one.colour, one.dash_mm) for name, one in (KINDS | own).items()}


def _again(name: str, drawn: Drawn, site: Site) -> str:
    """The id of the same layer after it was saved: a new layer has another."""
    for one in drawn_of(site).values():
        if one.part == drawn.part and one.path == drawn.path and one.layer == drawn.layer:
            return one.id
    return name


def _plain_drawn(drawn: Drawn) -> dict[str, Any]:
    return {
        "id": drawn.id,
        "title": drawn.title,
        "part": drawn.part,
        "shape": drawn.shape,
        "file": drawn.path.name,
        "layer": drawn.layer,
        "there": drawn.there,
        "editable": drawn.editable,
        "shared": drawn.shares_edges,
        "fields": [
            {"column": f.column, "title": f.title, "kind": f.kind, "choices": f.choices}
            for f in drawn.fields
        ],
    }
