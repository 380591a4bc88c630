"""Checks the folder of a plan against its manifest, ``plan.json``.

The manifest may come from anyone: its paths are held to the folder, links are not followed and
nothing but plain files is opened. The manifest cannot hold its own digest, so that one is told,
to be compared by eye with one noted down or received by another way.
"""

from __future__ import annotations

import re
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import file_digest, sha256
from pathlib import Path, PurePosixPath
from typing import Any

from siteplanner.base.errors import InputError, input_error
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.handover.folder.manifest import versions
from siteplanner.handover.folder.publish import not_own
from siteplanner.reading.published import manifest_bytes, short, understood

_NAMED = 8
_MISSING = "Missing"


@dataclass(frozen=True)
class Verified:
    """What came out: ``errors`` are against the manifest, ``notes`` are worth knowing.

    ``files`` counts the files of the manifest; ``digest`` is the manifest's own SHA-256.
    """

    name: str
    files: int
    digest: str
    errors: tuple[str, ...]
    notes: tuple[str, ...]


def verify(folder: Path, site: Path | None = None) -> Verified:
    """Check every file of a plan by size and SHA-256, and look for files too many or too few.

    Inputs that have changed since, other versions now, and files that are not the plan's own
    are notes. Inputs are looked for beside ``site``, the site file, and without it beside one
    of the same name in a folder above the plan. Changes nothing.

    Raises :class:`~siteplanner.InputError` when there is no manifest that can be used.
    """
    for _ in range(3):
        raw = manifest_bytes(folder)
        found = _checked(folder, raw, site)
        if manifest_bytes(folder) == raw:  # else a run has put a new plan in place meanwhile
            return found
    raise input_error(folder, "", "the plan keeps changing", "wait until no run writes to it")


def _checked(folder: Path, raw: bytes, site: Path | None) -> Verified:
    content = understood(folder / MANIFEST, raw)
    files, inputs, made_with = content["files"], content["inputs"], content["versions"]
    states: dict[str, list[str]] = {}
    for name in sorted(files):
        states.setdefault(_state(folder, name, files[name]), []).append(name)
    states.pop("", None)
    extra = [path.as_posix() for path in not_own(folder, {MANIFEST, *files})]
    notes = [f"Not in the manifest, so not checked: {_some(extra)}."] if extra else []
    return Verified(
        name=short(str(content.get("site", ""))),
        files=len(files),
        digest=sha256(raw).hexdigest(),
        errors=tuple(f"{why}, {len(names)} of {len(files)} files: {_some(names)}."
                     for why, names in sorted(states.items())),
        notes=(*notes, *_inputs_since(folder, inputs, site), *_versions_since(made_with)),
    )  # fmt: skip


def _state(folder: Path, name: str, entry: Mapping[str, Any]) -> str:
    """Say what is wrong with one file of the plan; nothing when it is as it was made."""
    path = folder
    for part in PurePosixPath(name).parts[:-1]:
        path = path / part
        if path.is_symlink():
            return "Reached through a link to another place"
    return _compared(path / PurePosixPath(name).name, entry["sha256"], entry["bytes"])


def _compared(path: Path, digest: str, size: int | None = None) -> str:
    try:
        status = path.lstat() if size is not None else path.stat()
        if not stat.S_ISREG(status.st_mode):
            return "Links or devices instead of regular files"
        if size is not None and status.st_size != size:
            return "Not the size they were made with"
        with path.open("rb") as stream:
            same = file_digest(stream, "sha256").hexdigest() == digest
        return "" if same else "Not the content they were made with"
    except (FileNotFoundError, NotADirectoryError):
        return _MISSING
    except (OSError, ValueError):
        return "Cannot be read"


def _inputs_since(folder: Path, inputs: Mapping[str, str], site: Path | None) -> list[str]:
    home = site.parent if site is not None else _home_of(folder, inputs)
    if home is None:
        return [
            "The inputs were not compared: there is no site file in a folder above the plan. "
            "Name it with --site."
        ]
    changed = {name: _compared(home / name, digest) for name, digest in sorted(inputs.items())}
    changed = {name: why for name, why in changed.items() if why}
    if not changed:
        return [f"All {len(inputs)} inputs are unchanged since the plan was made."]
    told = _some([f"{name} ({'missing' if w == _MISSING else 'changed'})"
                  for name, w in changed.items()])  # fmt: skip
    return [f"The plan is out of date. These inputs have changed since: {told}."]


def _home_of(folder: Path, inputs: Iterable[str]) -> Path | None:
    """Find the nearest folder above the plan that holds a site file of the right name."""
    names = [name for name in inputs if re.fullmatch(r"[^/\\]+\.toml", name)]
    above = folder.resolve().parents
    return next((place for place in above if any((place / n).is_file() for n in names)), None)


def _versions_since(made_with: Mapping[str, Any]) -> list[str]:
    now = versions()
    other = [
        f"{name} {short(str(made_with.get(name, 'none')))} (now {now.get(name, 'none')})"
        for name in sorted({*made_with, *now})
        if made_with.get(name) != now.get(name)
    ]
    if not other:
        return []
    return [
        "The plan was made with other versions, so a new run may give different files: "
        f"{_some(other)}."
    ]


def _some(names: list[str]) -> str:
    told = ", ".join(short(name) for name in names[:_NAMED])
    return told if len(names) <= _NAMED else f"{told} and {len(names) - _NAMED} more"


__all__ = ["InputError", "Verified", "verify"]
