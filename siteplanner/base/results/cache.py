"""Keeps results that take long, between runs, in a folder of the user's cache.

A run that was stopped, or one after a setting was changed, takes from here what it has worked
out before. The folder is ``$SITEPLANNER_CACHE``, else ``siteplanner`` in ``$XDG_CACHE_HOME`` or
``%LOCALAPPDATA%``, else ``~/.cache/siteplanner``. It holds nothing that cannot be made again;
it may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import os
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextvars import ContextVar
from dataclasses import is_dataclass
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from siteplanner import __version__

Arrays = dict[str, NDArray[np.generic]]
#: When the kept results take more than this, those that were used longest ago go.
LARGEST_BYTES = 2**30
#: A half-written file this old belongs to a run that was killed.
_STALE_S = 3600.0
_PLAIN = (str, bytes, int, float, type(None), np.generic)
_caching: ContextVar[bool] = ContextVar("caching", default=True)


def folder() -> Path | None:
    """Give the folder that results are kept in, which need not exist yet; None without a home."""
    named = os.environ.get("SITEPLANNER_CACHE")
    if named:
        return Path(named)
    for variable in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        if os.environ.get(variable):
            return Path(os.environ[variable]) / "siteplanner"
    try:
        return Path.home() / ".cache" / "siteplanner"
    except RuntimeError:
        return None


def key_of(parts: Iterable[object], code: Iterable[str]) -> str:
    """SHA-256 of what a result hangs on.

    ``parts`` are arrays, plain values, and lists, tuples and dataclasses of them; ``code`` is
    what :func:`siteplanner.base.plugins.code_of` tells of the code that makes the result. The
    versions of the libraries count too. Raises ``TypeError`` for a part whose content it cannot
    tell.
    """
    digest = hashlib.sha256()
    for part in (__version__, *_libraries(), list(code), *parts):
        _add(digest, part)
    return digest.hexdigest()


@functools.cache
def _libraries() -> tuple[str, ...]:
    """Versions of the libraries that results hang on: those that were loaded."""
    return version("numpy"), version("numba"), version("scipy")


def _add(digest: hashlib._Hash, part: object) -> None:
    if isinstance(part, np.ndarray) and part.dtype != object:
        digest.update(f"{part.dtype}{part.shape}".encode())
        digest.update(np.ascontiguousarray(part).data)
    elif isinstance(part, (list, tuple)):
        digest.update(f"{type(part).__name__}{len(part)}".encode())
        for one in part:
            _add(digest, one)
    elif is_dataclass(part) and not isinstance(part, type):
        _add(digest, list(vars(part).items()))
    elif isinstance(part, _PLAIN):
        digest.update(repr(part).encode())
    else:
        raise TypeError(f"no key can be made of a {type(part).__name__}")
    digest.update(b"\0")


@contextlib.contextmanager
def bypassed() -> Iterator[None]:
    """Look nothing up and keep nothing while the block runs, in this thread."""
    before = _caching.set(False)
    try:
        yield
    finally:
        _caching.reset(before)


def cached(kind: str, key: str, make: Callable[[], Arrays]) -> Arrays:
    """Give the result kept under ``kind`` and ``key``, or make it and keep it.

    Runs side by side are safe: a file appears whole or not at all, and who comes second writes
    the same. A file that is spoilt or cannot be read, a folder that cannot be written and a
    full disk only cost time.
    """
    place = folder()
    if place is None or not _caching.get():
        return make()
    path = place / f"{kind}-{key}.cached"
    found = _read(path)
    if found is not None:
        return found
    made = make()
    with contextlib.suppress(OSError):
        place.mkdir(parents=True, exist_ok=True)
        _write(path, made)
        _drop_old(place)
    return made


def _read(path: Path) -> Arrays | None:
    try:
        raw = path.read_bytes()
        os.utime(path)
    except OSError:
        return None
    # Bytes that went wrong on the disk must not become a plan.
    if hashlib.sha256(raw[32:]).digest() != raw[:32]:
        return None
    with np.load(io.BytesIO(raw[32:]), allow_pickle=False) as stored:
        return {name: stored[name] for name in stored.files}


def _write(path: Path, made: Arrays) -> None:
    content = io.BytesIO()
    np.savez(content, **made)  # type: ignore[arg-type]
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(hashlib.sha256(content.getbuffer()).digest())
            stream.write(content.getbuffer())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _drop_old(place: Path) -> None:
    """Remove what was used longest ago until the rest is small enough, and killed runs' halves."""
    dated = []
    for file in place.iterdir():
        with contextlib.suppress(OSError):
            status = file.stat()
            if file.suffix == ".part" and status.st_mtime < time.time() - _STALE_S:
                file.unlink()
            elif file.suffix in (".cached", ".kept", ".npz"):  # .npz: of earlier versions
                dated.append((status.st_mtime_ns, status.st_size, file))
    taken = 0
    for _, size, file in sorted(dated, reverse=True):
        taken += size
        if taken > LARGEST_BYTES:
            file.unlink(missing_ok=True)
