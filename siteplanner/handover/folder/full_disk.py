"""A disk that fills up while a plan is written, told in one plain sentence.

The libraries that write the files each say it in their own way, or hardly at all ("failed to
commit transaction"), so the disk itself is asked how much is left.
"""

from __future__ import annotations

import contextlib
import errno
import shutil
from collections.abc import Iterator
from pathlib import Path

from siteplanner.base.errors import InputError, input_error
from siteplanner.base.plugins import PluginError

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
#: A library may give back its last pieces before it tells: less than this counts as full.
_SPARE_BYTES = 4 * 2**20


@contextlib.contextmanager
def told_when_full(folder: Path, target: Path) -> Iterator[None]:
    """Raise :class:`~siteplanner.InputError` when writing in ``folder`` fills its disk.

    ``target`` is the folder that the sentence names. Any other error goes on as it is.
    """
    try:
        yield
    except Exception as error:
        # A plugin that could not write either may have met the full disk.
        other = isinstance(error, InputError) and not isinstance(error, PluginError)
        if other or not (_says_full(error) or _left(folder) < _SPARE_BYTES):
            raise
        raise input_error(
            target,
            "",
            "the new plan does not fit: the disk is full",
            "free some space, or choose another folder for the plan; the previous plan has not "
            "changed",
        ) from error


def _says_full(error: BaseException | None) -> bool:
    while error is not None:
        if isinstance(error, OSError) and error.errno in _FULL:
            return True
        error = error.__cause__ or error.__context__
    return False


def _left(folder: Path) -> float:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return float("inf")
