"""Edits such as a desk makes, and a plan made with a memory beside a fresh one."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely

from siteplanner.base.results.memory import Memory, digest_of
from siteplanner.handover.map.page import map_page
from siteplanner.plan import Plan
from siteplanner.run import make_plan, plan_through
from siteplanner.site.edit import set_in_site
from siteplanner.site.site_file import load_site


class Watched(Memory):
    """A memory that knows what its results were when they were made."""

    def __init__(self) -> None:
        super().__init__()
        self.was: dict[bytes, bytes] = {}
        self.made = 0

    def _keep(self, key, result, arguments):
        self.was[key] = digest_of(result)
        self.made += 1
        return super()._keep(key, result, arguments)

    def changed(self) -> list[bytes]:
        """Keys of results that somebody changed in place since."""
        return [key for key, one in self._kept.items() if digest_of(one.result) != self.was[key]]


class Edited:
    """A site whose zones are drawn, and what may be done to it, each by chance."""

    def __init__(self, site: Path, seed: int, memory: Memory) -> None:
        self.path, self.random = site, np.random.default_rng(seed)
        self.zones = site.parent / "zones.gpkg"
        plan = plan_through(memory, load_site(site))
        drawn = plan.zones[["zone", "title", "geometry"]].assign(use="plant", barred="")
        pyogrio.write_dataframe(drawn, self.zones, layer="zones")
        self.species = list(plan.species["botanical_name"])
        self.plain = site.read_text("utf-8") + '\n[decisions]\nzones = "zones.gpkg"\n'
        self.path.write_text(self.plain, "utf-8")

    def edit(self) -> str:
        """Make one edit; say which."""
        kinds = [self.move_corner, self.bar, self.set_back, self.spread, self.back]
        return kinds[self.random.choice(len(kinds), p=[0.4, 0.2, 0.15, 0.15, 0.1])]()

    def move_corner(self) -> str:
        """Move a corner that two zones share."""
        frame = pyogrio.read_dataframe(self.zones, layer="zones")
        shapes = frame.geometry.to_numpy()
        corners = [{tuple(xy) for xy in shapely.get_coordinates(one).round(4)} for one in shapes]
        every = [xy for mine in corners for xy in mine]
        shared = sorted(xy for xy in set(every) if every.count(xy) > 1)
        for _ in range(20):
            at = np.array(shared[self.random.integers(len(shared))])
            by = self.random.uniform(-3, 3, 2)

            def moved(xy, at=at, by=by):
                return np.where((np.abs(xy - at).max(axis=1) < 1e-3)[:, None], xy + by, xy)

            new = [shapely.transform(one, moved) for one in shapes]
            if all(one.is_valid for one in new):
                self._save(frame.set_geometry(gpd.GeoSeries(new, crs=frame.crs)))
                return f"corner {at} by {by}"
        return "no corner moved"

    def bar(self) -> str:
        """Bar a species in a zone."""
        frame = pyogrio.read_dataframe(self.zones, layer="zones")
        zone, name = self.random.integers(len(frame)), self.random.choice(self.species)
        frame.loc[zone, "barred"] = name
        self._save(frame)
        return f"{name} barred in {frame['zone'][zone]}"

    def set_back(self) -> str:
        """Keep clear of the boundary by another distance."""
        return self._set(f"setbacks.boundary={self.random.uniform(1, 4):.1f}")

    def spread(self) -> str:
        """Change the mix."""
        return self._set(f"mix.largest_share={self.random.uniform(0.4, 1):.2f}")

    def back(self) -> str:
        """Go back to the settings as they were."""
        self.path.write_text(self.plain, "utf-8")
        return "settings as at first"

    def _set(self, change: str) -> str:
        set_in_site(self.path, [change])
        return change

    def _save(self, frame: gpd.GeoDataFrame) -> None:
        pyogrio.write_dataframe(frame, self.zones, layer="zones")


def differing(one: Plan, other: Plan) -> list[str]:
    """Names of a plan's parts whose content differs."""
    names = [field.name for field in dataclasses.fields(Plan)]
    return [n for n in names if digest_of(getattr(one, n)) != digest_of(getattr(other, n))]


def told_apart(site: Path, memory: Memory) -> list[str]:
    """What of a plan and its map made with a memory is not as it is made afresh."""
    warm, fresh = plan_through(memory, load_site(site)), make_plan(load_site(site))
    found = differing(warm, fresh)
    return found + ["map.html"] * (map_page(warm, memory) != map_page(fresh))
