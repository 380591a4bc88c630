"""Keeps results that take long, between runs, in a folder of the user's cache.

The folder is ``$SITEPLANNER_CACHE``, else ``siteplanner`` in ``$XDG_CACHE_HOME`` or
``%LOCALAPPDATA%``, else ``~/.cache/siteplanner``. It holds nothing that cannot be made again;
it may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
import zipfile
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Arrays = dict[str, NDArray[np.generic]]
#: The newest results are kept, this many of each kind.
_KEPT = 20


def folder() -> Path:
    """Give the folder that results are kept in; it need not exist yet."""
    named = os.environ.get("SITEPLANNER_CACHE")
    if named:
        return Path(named)
    for variable in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        if os.environ.get(variable):
            return Path(os.environ[variable]) / "siteplanner"
    return Path.home() / ".cache" / "siteplanner"


def key_of(parts: Iterable[object], code: Iterable[str]) -> str:
    """SHA-256 of what a result hangs on: arrays, plain values, and the ``code`` files' text."""
    digest = hashlib.sha256()
    for part in parts:
        if isinstance(part, np.ndarray):
            digest.update(f"{part.dtype}{part.shape}".encode())
            digest.update(np.ascontiguousarray(part).tobytes())
        else:
            digest.update(repr(part).encode())
        digest.update(b"\0")
    for file in code:
        digest.update(Path(file).read_bytes())
    return digest.hexdigest()


def kept(kind: str, key: str, make: Callable[[], Arrays]) -> Arrays:
    """Give the result kept under ``kind`` and ``key``, or make it and keep it.

    Runs side by side are safe: a file appears whole or not at all, and who comes second writes
    the same. A file that cannot be read, or a folder that cannot be written, only costs time.
    """
    path = folder() / f"{kind}-{key}.npz"
    try:
        with np.load(path, allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile):
        made = make()
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as stream:
                np.savez(stream, **made)  # type: ignore[arg-type]
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        _drop_old(path.parent, kind)
    return made


def _drop_old(place: Path, kind: str) -> None:
    dated = []
    for file in place.glob(f"{kind}-*.npz"):
        with contextlib.suppress(OSError):
            dated.append((file.stat().st_mtime, file))
    for _, file in sorted(dated)[:-_KEPT]:
        file.unlink(missing_ok=True)
