"""A plan's features that somebody edited in place are noticed before a new plan replaces them."""

from __future__ import annotations

import json
from hashlib import file_digest
from pathlib import Path

from siteplanner.base.errors import input_error
from siteplanner.base.plan_folder import FEATURES, MANIFEST


def refuse_edited(plan: Path) -> None:
    """Raise :class:`~siteplanner.InputError` where ``plan.gpkg`` is not as its plan was made.

    Its SHA-256 is compared with the manifest's; edits that a GIS has not yet put into the file
    lie in a journal beside it. A folder without a plan passes.
    """
    path = plan / FEATURES
    made = _digest_in_manifest(plan)
    if made is None or not path.is_file():
        return
    with path.open("rb") as stream:
        same = file_digest(stream, "sha256").hexdigest() == made
    journal = path.with_name(f"{FEATURES}-wal")
    if same and not (journal.is_file() and journal.stat().st_size):
        return
    raise input_error(
        path,
        "",
        "it was edited since the plan was made, and a new plan would overwrite the edit",
        "to keep the edit, copy the file into the site's folder and name the copy in the site "
        'file: [decisions] zones = "my_zones.gpkg"; then, or where nothing in it is to be kept (a '
        "GIS may change the file by opening it), run again with --overwrite",
    )


def _digest_in_manifest(plan: Path) -> str | None:
    try:
        entry = json.loads((plan / MANIFEST).read_text(encoding="utf-8"))["files"][FEATURES]
        return str(entry["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
