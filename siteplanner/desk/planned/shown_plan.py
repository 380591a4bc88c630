"""The plan as the page shows it: its figures, its files, and what changed since the one before.

Before a new plan is made, what a comparison reads of the present one is kept beside it, in
``maps/.before``.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from pathlib import Path
from typing import Any

from siteplanner.after.compare import Change, Comparison, compare, read_plan
from siteplanner.base.plan_folder import FEATURES, MANIFEST

#: What a plan's folder shows on the page, in this order.
_FOR_PEOPLE = {
    "map.html": "The map",
    "sheets.pdf": "Planting sheets",
    "counts.csv": "Counts",
    "plan.xlsx": "The plan as a workbook",
    "works.csv": "Works",
    "nursery.pdf": "The nursery's year",
    "labels.pdf": "Labels",
    "nursery.ics": "The nursery's calendar",
    FEATURES: "Features for a GIS",
}
_MAP = "map.html"
#: What is kept of a plan when the next is made: the list, and what a comparison reads.
_KEPT = (_MAP, "counts.csv", FEATURES, MANIFEST)
#: The present plan and the one before it.
_SO_MANY = 2


class ShownPlan:
    """A plan's folder, ``maps/<site>``, whether there is a plan in it or not."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._earlier = folder.parent / ".before" / folder.name

    def about(self) -> dict[str, Any] | None:
        """Say what the plan has; None where there is none yet."""
        manifest = _manifest(self.folder)
        if manifest is None:
            return None
        files = manifest.get("files", {})
        return {
            "trees": manifest.get("trees_total"),
            "area_ha": manifest.get("area_planted_ha"),
            "warnings": manifest.get("warnings", []),
            "cautions": manifest.get("cautions", []),
            "map": _MAP in files,
            "stamp": _stamp(manifest),
            "files": [[name, words] for name, words in _FOR_PEOPLE.items() if name in files],
        }

    def files(self) -> list[str]:
        """Names on the plan's own list; none where there is no plan."""
        return list((_manifest(self.folder) or {}).get("files", {}))

    def file(self, name: str) -> Path | None:
        """Path of a file that the plan's own list names; None for any other name."""
        return _listed(self.folder, name)

    def keep(self) -> None:
        """Keep what a later comparison reads of the plan, once; older ones go.

        Where it cannot be kept, there is nothing to compare with later; the next plan is made.
        """
        with contextlib.suppress(OSError):
            self._keep()

    def _keep(self) -> None:
        manifest = _manifest(self.folder)
        if manifest is None or _stamp(manifest) in {_stamp_in(one) for one in self._kept()[:1]}:
            return
        number = int(self._kept()[0].name) + 1 if self._kept() else 1
        beside = self._earlier / ".new"
        shutil.rmtree(beside, ignore_errors=True)
        beside.mkdir(parents=True)
        for name in _KEPT:
            source = self.folder / name
            if source.is_file():
                shutil.copy2(source, beside / name)  # a link would change with an edit in place
        beside.rename(self._earlier / f"{number:05d}")
        for one in self._kept()[_SO_MANY:]:
            shutil.rmtree(one, ignore_errors=True)

    def changes(self) -> dict[str, Any] | None:
        """Say what changed since the plan before; None where there is none before.

        Raises :class:`~siteplanner.InputError` where one of the two cannot be read.
        """
        before = self._before()
        if before is None or _manifest(self.folder) is None:
            return None
        found = compare(read_plan(before), read_plan(self.folder))
        return {"same": found.same, "map": (before / _MAP).is_file(),
                "stamp": _stamp_in(before), **_in_words(found)}  # fmt: skip

    def map_before(self) -> Path | None:
        """Path of the earlier plan's map; None where there is none."""
        before = self._before()
        return None if before is None else _listed(before, _MAP)

    def _before(self) -> Path | None:
        now = _stamp_in(self.folder)
        return next((one for one in self._kept() if _stamp_in(one) != now), None)

    def _kept(self) -> list[Path]:
        """Folders of plans that were kept, the newest first."""
        there = self._earlier.iterdir() if self._earlier.is_dir() else ()
        return sorted((one for one in there if one.name.isdecimal()), reverse=True)


def _manifest(folder: Path) -> dict[str, Any] | None:
    try:
        found = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) and isinstance(found.get("files"), dict) else None


def _stamp(manifest: dict[str, Any]) -> str:
    """Changes with the plan: a part of the map's checksum."""
    return str(manifest["files"].get(_MAP, {}).get("sha256", ""))[:16]


def _stamp_in(folder: Path) -> str:
    manifest = _manifest(folder)
    return "" if manifest is None else _stamp(manifest)


def _listed(folder: Path, name: str) -> Path | None:
    manifest = _manifest(folder)
    path = folder / name
    inside = path.resolve().is_relative_to(folder.resolve())
    return path if manifest and name in manifest["files"] and inside and path.is_file() else None


def _in_words(found: Comparison) -> dict[str, Any]:
    """Figures as rows of words: what, before, now, change."""

    def rows(changes: tuple[Change, ...]) -> list[list[str]]:
        return [[one.what, *(_said(value, one) for value in (one.before, one.after)),
                 _said(one.change, one, sign=True)] for one in changes]  # fmt: skip

    return {
        "figures": rows(tuple(one for one in found.figures if one.before == one.before)),
        "paddocks": rows(found.paddocks),
        "species": rows(found.species),
        "settings": [list(one) for one in found.settings],
        "inputs": list(found.inputs),
        "warnings_gone": list(found.warnings_gone),
        "warnings_new": list(found.warnings_new),
    }


def _said(value: float, change: Change, sign: bool = False) -> str:
    if value != value:
        return "not known"
    if sign and abs(value) < 0.5 / 10**change.digits:
        return "same"
    words = f"{value:{'+' if sign else ''},.{change.digits}f}"
    return f"{words} {change.unit}".strip()
