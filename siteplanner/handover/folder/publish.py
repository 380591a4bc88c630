"""Putting a new plan in the place of the old one: whole, or not at all.

A run writes into a staging folder beside the target. When all is written the two folders
change places in one step, so that a reader, a crash or a power cut meets either the previous
plan or the new one. Names used beside a target ``maps/knoll``, all of them gone afterwards:

``.knoll.lock``      held while one run writes this plan
``.knoll.new-<pid>`` the staging folder; after the exchange, the old plan until it is removed
``.knoll.old``       the old plan, only where folders cannot be exchanged in one step
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from siteplanner.base.errors import ErrorDetail, InputError, input_error
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.handover.folder.edited import refuse_edited

#: What other programs put beside a file they open: statistics, journals, overviews, masks.
SIDE_FILES = (".aux.xml", ".ovr", ".msk", "-wal", "-shm", "-journal")


class BeingWrittenError(InputError):
    """Another run is writing the plan now."""


_EXCHANGE = 2  # RENAME_EXCHANGE of Linux's renameat2, RENAME_SWAP of macOS's renamex_np
#: What a killed run left may just be being cleared up, which is no run: wait so long for it.
_PATIENCE_S = 2.0
_NO_LOCKS = {errno.ENOSYS, errno.EINVAL, errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP}
_CANNOT_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP}


@contextlib.contextmanager
def staged(target: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """Give a staging folder that takes the place of ``target`` when the block ends well.

    When the block raises, the staging folder is removed and the previous plan stays as it
    was. Files that somebody else put into the previous plan's folder are carried over into
    the new one. What a killed run left behind is cleared up first.

    Raises :class:`~siteplanner.InputError` when ``target`` is no plan of ours and not
    empty, when its features were edited (unless ``overwrite``), when another run is writing it, or
    when a carried-over file and a file of the new plan have the same path.
    """
    target = _real(target)
    _make_parent(target)
    with _only_run(target):
        _recover(target)
        _refusenot_own(target)
        if not overwrite:
            refuse_edited(target)
        staging = _staging(target, os.getpid())
        with _told(target):
            staging.mkdir()
        try:
            if target.exists():
                shutil.copymode(target, staging)
            yield staging
            with _told(target):
                _refuse_unlisted(staging)
                _refusenot_own(target)
                if not overwrite:
                    refuse_edited(target)
                _carry_over(target, staging)
                _sync_tree(staging)
                _swap(staging, target)
        except BaseException:
            _remove_tree(staging)
            raise
        _retire(staging, target)
        # A process left over from a killed run may have written while _recover was at work.
        for leftover in _leftovers(target):
            _retire(leftover, target)


def recover(target: Path, *, patience_s: float = 0) -> None:
    """Put the previous plan back after a killed run, and remove what that run left.

    Does nothing while another run is writing the plan, for longer than ``patience_s``.
    """
    target = _real(target)
    if not target.parent.is_dir():
        return
    # Look before locking, so that a folder one may only read can still be looked at.
    if not any([_lock_path(target).exists(), _aside(target).exists(), _leftovers(target)]):
        return
    with contextlib.suppress(BeingWrittenError), _only_run(target, patience_s=patience_s):
        _recover(target)


def files_of_plan(folder: Path) -> set[str] | None:
    """Paths of the plan's own files, relative to ``folder``; None where it holds no plan."""
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        if "siteplanner" not in manifest["versions"]:
            return None
        return {MANIFEST, *manifest["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _real(target: Path) -> Path:
    return Path(os.path.realpath(target))


def _make_parent(target: Path) -> None:
    with _told(target.parent):
        target.parent.mkdir(parents=True, exist_ok=True)


@contextlib.contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Tell in a sentence why ``folder`` cannot be written."""
    try:
        yield
    except OSError as error:
        why = f"cannot be written ({error.strerror or error})"
        remedy = "free some space there, get permission to write there, or choose another folder"
        raise input_error(folder, "", why, remedy) from error


def _staging(target: Path, number: int) -> Path:
    return target.with_name(f".{target.name}.new-{number}")


def _lock_path(target: Path) -> Path:
    return target.with_name(f".{target.name}.lock")


def _aside(target: Path) -> Path:
    return target.with_name(f".{target.name}.old")


def _leftovers(target: Path) -> list[Path]:
    name = re.compile(rf"\.{re.escape(target.name)}\.new-\d+")
    return sorted(p for p in target.parent.iterdir() if name.fullmatch(p.name) and p.is_dir())


def _is_empty(folder: Path) -> bool:
    return folder.is_dir() and not any(folder.iterdir())


def _refusenot_own(target: Path) -> None:
    if not target.exists() or _is_empty(target):
        return
    remedy = "choose another folder for the plan; nothing in this one has changed"
    if not target.is_dir():
        raise input_error(target, "", "this is a file, but a plan needs a folder", remedy)
    if not os.access(target, os.W_OK | os.X_OK):
        why = f"cannot be written ({os.strerror(errno.EACCES)})"
        raise input_error(
            target, "", why, "get permission to write there, or choose another folder"
        )
    if files_of_plan(target) is None:
        raise input_error(
            target, "", f"this folder has files, but no {MANIFEST} of siteplanner", remedy
        )


def _refuse_unlisted(staging: Path) -> None:
    own = files_of_plan(staging)
    if own is None:
        raise RuntimeError(f"the new plan has no {MANIFEST}")
    unlisted = [path.as_posix() for path in not_own(staging, own)]
    if unlisted:
        raise RuntimeError(f"{MANIFEST} does not list {', '.join(unlisted)}")


# --- one run at a time ---------------------------------------------------------------------


@contextlib.contextmanager
def _only_run(target: Path, patience_s: float = _PATIENCE_S) -> Iterator[None]:
    """Hold the lock beside ``target``, or raise :class:`BeingWrittenError`.

    Where the system or a network drive knows no locks, runs are not kept apart.
    """
    path = _lock_path(target)
    lock = FileLock(path, timeout=patience_s, fallback_to_soft=False)
    with _told(path.parent):
        try:
            lock.acquire()
        except Timeout:
            why, remedy = "another run is writing this plan", "wait until it ends, then run again"
            raise BeingWrittenError(ErrorDetail(str(target), "", why, remedy)) from None
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                raise
    try:
        yield
    finally:
        # Removed before it is let go: a run that waits for a removed file looks for a new one.
        with contextlib.suppress(OSError):
            path.unlink()
        lock.release()


# --- the swap ------------------------------------------------------------------------------


def _swap(staging: Path, target: Path) -> None:
    """Put ``staging`` in the place of ``target``, whose old content then stands at ``staging``."""
    if not target.exists() or _is_empty(target):
        if os.name == "nt" and target.exists():
            target.rmdir()
        staging.replace(target)
    elif not _exchange(staging, target):
        aside = _aside(target)
        try:
            target.rename(aside)
            staging.rename(target)
        except BaseException:
            if aside.exists() and not target.exists():
                aside.rename(target)
            raise
        aside.rename(staging)
    _sync_folder(target.parent)


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change places in one step; False where the system cannot."""
    library = ctypes.CDLL(None, use_errno=True) if os.name == "posix" else None
    a, b = os.fsencode(one), os.fsencode(other)
    if sys.platform == "darwin" and hasattr(library, "renamex_np"):
        failed = library.renamex_np(a, b, ctypes.c_uint(_EXCHANGE))  # type: ignore[union-attr]
    elif sys.platform == "linux" and hasattr(library, "renameat2"):
        here = ctypes.c_int(-100)  # AT_FDCWD
        failed = library.renameat2(here, a, here, b, ctypes.c_uint(_EXCHANGE))  # type: ignore[union-attr]
    else:
        return False
    if failed:
        number = ctypes.get_errno()
        if number in _CANNOT_EXCHANGE:
            return False
        raise OSError(number, os.strerror(number), str(one), None, str(other))
    return True


def _recover(target: Path) -> None:
    """Finish or undo what a killed run began; the lock is held, so no other run is at work."""
    for leftover in _leftovers(target):
        _retire(leftover, target)
    aside = _aside(target)
    if files_of_plan(aside) is None:
        return
    if not target.exists() or _is_empty(target):
        aside.replace(target)
    else:
        leftover = _staging(target, 0)
        aside.rename(leftover)
        _retire(leftover, target)
    _sync_folder(target.parent)


def _retire(old: Path, target: Path) -> None:
    """Remove a folder the plan no longer needs, after saving what others put there."""
    if not old.exists():
        return
    if files_of_plan(old) is not None and files_of_plan(target) is not None:
        _carry_over(old, target, keep_existing=True)
    _remove_tree(old)


def _remove_tree(folder: Path) -> None:
    for root, _, _ in os.walk(folder):  # a folder that may not be written keeps its files
        with contextlib.suppress(OSError):
            Path(root).chmod(0o700)
    # Whatever cannot be removed now (a file open elsewhere) goes at the next start.
    shutil.rmtree(folder, ignore_errors=True)


# --- files of other people -----------------------------------------------------------------


def _carry_over(old: Path, new: Path, *, keep_existing: bool = False) -> None:
    """Link, or copy, each file that is not the old plan's own into the new folder."""
    own = files_of_plan(old)
    if own is None:
        return
    for path in not_own(old, own):
        place = new / path
        if os.path.lexists(place):
            if keep_existing:
                continue
            raise input_error(
                old, str(path), "the new plan has a file of the same name",
                "this file is not part of the plan: move it elsewhere, then run again",
            )  # fmt: skip
        place.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(old / path, place, follow_symlinks=False)
        except (OSError, NotImplementedError):
            shutil.copy2(old / path, place, follow_symlinks=False)


def not_own(folder: Path, own: set[str]) -> list[Path]:
    """Files of a plan's folder, relative to it, that are neither ``own`` nor lie beside one."""
    found = []
    for root, folders, names in os.walk(folder):
        links = [name for name in folders if (Path(root) / name).is_symlink()]
        for name in sorted(names + links):
            path = (Path(root) / name).relative_to(folder)
            if not _belongs(path.as_posix(), own):
                found.append(path)
    return found


def _belongs(path: str, own: set[str]) -> bool:
    if path in own:
        return True
    return any(path.endswith(end) and path.removesuffix(end) in own for end in SIDE_FILES)


# --- onto the disk -------------------------------------------------------------------------


def _sync_tree(folder: Path) -> None:
    """Have every file on the disk before the swap: a power cut must not leave empty files."""
    for root, _, names in os.walk(folder, topdown=False):
        for name in names:
            path = Path(root) / name
            if path.is_file() and not path.is_symlink():
                _sync(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
        _sync_folder(Path(root))


def _sync_folder(folder: Path) -> None:
    if os.name == "posix":  # elsewhere a folder cannot be opened for this
        _sync(folder, os.O_RDONLY)


def _sync(path: Path, flags: int) -> None:
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
