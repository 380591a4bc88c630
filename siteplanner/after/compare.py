"""Compares two plans: what changed in hectares, trees, species, cost and risk."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from siteplanner.base.errors import input_error
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.base.units import hectares
from siteplanner.planting.counts import DEATHS
from siteplanner.reading.published import read_published, whole_numbers


@dataclass(frozen=True)
class Compared:
    """What is read of a plan's folder: the manifest, the counts and the zones' shapes."""

    folder: Path
    manifest: dict[str, Any]
    counts: pd.DataFrame
    zones: gpd.GeoDataFrame


@dataclass(frozen=True)
class Change:
    """One figure of both plans; ``unit`` follows the number, ``digits`` after the point."""

    what: str
    before: float
    after: float
    unit: str = ""
    digits: int = 0

    @property
    def change(self) -> float:
        """How much more the second plan has."""
        return self.after - self.before


@dataclass(frozen=True)
class Comparison:
    """What two plans differ in.

    ``figures`` of the plans as a whole, all of them; ``paddocks`` and ``species``: trees, those
    that changed; ``settings``: name, before, after; ``inputs``: files that are not the same;
    ``warnings_gone`` and ``warnings_new``.
    """

    figures: tuple[Change, ...]
    paddocks: tuple[Change, ...]
    species: tuple[Change, ...]
    settings: tuple[tuple[str, str, str], ...]
    inputs: tuple[str, ...]
    warnings_gone: tuple[str, ...]
    warnings_new: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether nothing changed."""
        changed = any(abs(one.change) > 1e-9 for one in self.figures)
        return not (changed or self.paddocks or self.species or self.settings or self.inputs)


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300


def _settings_fit(settings: object) -> bool:
    """Whether settings can be compared, and costs summed from them."""
    mix = settings.get("mix", {}) if isinstance(settings, dict) else None
    if not isinstance(mix, dict) or not isinstance(mix.get("tree_costs", {}), dict):
        return False
    return all(map(_number, [mix.get("tree_cost", 0), *mix.get("tree_costs", {}).values()]))


#: What is compared of a manifest, and whether it is as it should be.
_PARTS: dict[str, Callable[[object], bool]] = {
    "settings": _settings_fit,
    "warnings": lambda told: isinstance(told, list) and all(isinstance(w, str) for w in told),
    "frost_error_c": lambda error: error is None or _number(error),
}


def read_plan(folder: str | Path) -> Compared:
    """Read what a comparison needs of a plan's folder.

    Raises :class:`~siteplanner.InputError` for a folder that holds no plan.
    """
    plan = read_published(Path(folder))
    for part, fits in _PARTS.items():
        if not fits(plan.manifest.get(part)):
            what = "it is not as a plan has it" if part in plan.manifest else "it is missing"
            remedy = "make the plan again, then compare"
            raise input_error(plan.folder / MANIFEST, part, what, remedy)
    counts = plan.table("counts.csv", ("paddock", "species", "trees", "infill", "order"))
    for column in ("trees", "infill", "order"):
        counts[column] = whole_numbers(plan.folder / "counts.csv", counts, column)
    return Compared(plan.folder, plan.manifest, counts, plan.features("zones", ("zone", "trees")))


def compare(before: Compared, after: Compared) -> Comparison:
    """Say what changed from one plan to the other."""
    return Comparison(
        _figures(before, after),
        _changed(before, after, "paddock"),
        _changed(before, after, "species"),
        _settings(before.manifest["settings"], after.manifest["settings"]),
        _inputs(before.manifest["inputs"], after.manifest["inputs"]),
        tuple(w for w in before.manifest["warnings"] if w not in after.manifest["warnings"]),
        tuple(w for w in after.manifest["warnings"] if w not in before.manifest["warnings"]),
    )


def _figures(before: Compared, after: Compared) -> tuple[Change, ...]:
    grounds = [plan.zones[plan.zones["trees"] > 0] for plan in (before, after)]
    if grounds[0].crs != grounds[1].crs:
        grounds[1] = grounds[1].to_crs(grounds[0].crs)
    shapes = [ground.geometry.union_all() for ground in grounds]
    areas: dict[str, tuple[float, float]] = {
        "planted": (shapes[0].area, shapes[1].area),
        "planted in this plan only": (
            shapely.difference(shapes[0], shapes[1]).area,
            shapely.difference(shapes[1], shapes[0]).area,
        ),
    }
    by_area = [Change(w, hectares(a), hectares(b), "ha", 2) for w, (a, b) in areas.items()]
    figures: tuple[tuple[str, Callable[[Compared], float], str, int], ...] = (
        ("trees", lambda p: float(p.counts["trees"].sum()), "", 0),
        ("trees to order", lambda p: float(p.counts["order"].sum()), "", 0),
        ("species", lambda p: float(p.counts["species"].nunique()), "", 0),
        ("cost of the trees in the ground", _cost, "", 0),
        ("risk: share of the commonest species", _commonest, "%", 1),
        ("risk: trees expected to die", lambda p: _deaths(p, 1.0), "%", 1),
        ("risk: the same, at worst", lambda p: _deaths(p, DEATHS[1]), "%", 1),
        ("risk: error of the coldest night", _frost, "°C", 1),
        ("risk: warnings", lambda p: float(len(p.manifest["warnings"])), "", 0),
    )
    rest = [Change(what, of(before), of(after), unit, digits) for what, of, unit, digits in figures]
    return (*by_area, *rest)


def _cost(plan: Compared) -> float:
    """Cost by the plan's own settings, 0 where it has none."""
    mix = plan.manifest["settings"].get("mix", {})
    single = mix.get("tree_costs", {})
    each = plan.counts["species"].map(lambda name: single.get(name, mix.get("tree_cost", 0.0)))
    return float((plan.counts["trees"] * each).sum())


def _commonest(plan: Compared) -> float:
    by_species = plan.counts.groupby("species")["trees"].sum()
    return float(100 * by_species.max() / by_species.sum()) if len(by_species) else 0.0


def _deaths(plan: Compared, times: float) -> float:
    """Percent of the trees to plant expected to die, by the infill worked out for them."""
    coming = plan.counts[plan.counts["order"] > 0]
    trees = coming["order"] - coming["infill"]
    whole = float(trees.sum())
    dead = (trees * (1 - trees / coming["order"])).sum()
    return float(100 * times * dead / whole) if whole else 0.0


def _frost(plan: Compared) -> float:
    error = plan.manifest.get("frost_error_c")
    return float("nan") if error is None else float(error)


def _changed(before: Compared, after: Compared, by: str) -> tuple[Change, ...]:
    """Trees by paddock or species, those that changed, the greatest change first."""
    sums = [plan.counts.groupby(by)["trees"].sum() for plan in (before, after)]
    names = sorted(set(sums[0].index) | set(sums[1].index))
    changes = [Change(str(n), float(sums[0].get(n, 0)), float(sums[1].get(n, 0))) for n in names]
    changes = [one for one in changes if one.change]
    return tuple(sorted(changes, key=lambda one: (-abs(one.change), one.what)))


def _settings(before: Any, after: Any, place: str = "") -> tuple[tuple[str, str, str], ...]:
    """Settings that differ, by their place in the site file."""
    if isinstance(before, dict) and isinstance(after, dict):
        found: list[tuple[str, str, str]] = []
        for key in sorted(set(before) | set(after)):
            inner = f"{place}.{key}" if place else str(key)
            found += _settings(before.get(key), after.get(key), inner)
        return tuple(found)
    if before == after:
        return ()
    return ((place, _said(before), _said(after)),)


def _said(value: Any) -> str:
    return "not set" if value is None else json.dumps(value, ensure_ascii=False)


def _inputs(before: dict[str, str], after: dict[str, str]) -> tuple[str, ...]:
    names = sorted(set(before) | set(after))
    return tuple(name for name in names if before.get(name) != after.get(name))
