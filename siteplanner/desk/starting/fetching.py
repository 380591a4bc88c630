"""Open data for a property that is being started: what would be asked of whom, and the fetching."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siteplanner.base.errors import input_error
from siteplanner.desk.starting.page import answered, found_in, outline_of
from siteplanner.gather.gather import UNTRIED, gather, would_fetch
from siteplanner.gather.services import load_services


def would(folder: Path, asked: Mapping[str, Any], services: Path | None) -> dict[str, Any]:
    """Say what would be fetched and what is sent to whom; nothing is sent or written.

    Raises :class:`~siteplanner.InputError`.
    """
    said, there = would_fetch(folder, folder / _outline(folder, asked), load_services(services))
    return {"would": said, "kept": there.kept, "read": [UNTRIED]}


def fetched(folder: Path, asked: Mapping[str, Any], services: Path | None) -> dict[str, Any]:
    """Fetch what is missing, and start the site where there are heights for it.

    The outline is a file of the folder; answers to the page's questions are taken over.
    Raises :class:`~siteplanner.InputError`.
    """
    boundary = outline_of(folder, _outline(folder, asked))
    done = gather(folder, boundary, load_services(services))
    missing = [*done.missing]
    if done.site is not None:
        answered(done.site, asked.get("answers") or {}, soils_known=(folder / _SOILS).exists())
    else:
        missing.insert(0, "heights: without them there is no site; drop a GeoTIFF, or fetch again")
    return {
        "started": done.site is not None,
        "fetched": [f"{row.what}: {row.file}, from {row.service}" for row in done.written],
        "gaps": [f"{what}: {why}" for what, why in done.gaps.items()],
        "sent": done.sent,
        "read": [UNTRIED, *done.notes],
        "improve": done.improve,
        "missing": missing,
    }


#: What gathering calls its file of soils.
_SOILS = "soil_hints.gpkg"


def _outline(folder: Path, asked: Mapping[str, Any]) -> str:
    """Name of the outline among the folder's files."""
    name = str(asked.get("boundary") or "")
    if {one["name"]: one["kind"] for one in found_in(folder)}.get(name) != "shapes":
        raise input_error(
            folder.name, "", "no outline is chosen",
            "drop a file with the property's outline and choose it as the boundary first",
        )  # fmt: skip
    return name
