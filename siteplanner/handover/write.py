"""Writers: functions ``writer(plan, folder)`` that each put their own files into a plan's folder.

Together they write all files of a plan, but for the layers and the manifest.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from siteplanner.base.errors import Errors
from siteplanner.base.plugins import WRITERS, by_name
from siteplanner.plan import Plan

Writer = Callable[[Plan, Path], object]
Function = TypeVar("Function", bound=Callable[..., object])


def writer(title: str) -> Callable[[Function], Function]:
    """Attach a title to a writer, which itself stays as it was.

    The title says what is being done, as progress shows it: "Drawing the map".
    """

    def attach(function: Function) -> Function:
        function.__writer__ = title  # type: ignore[attr-defined]
        return function

    return attach


def writers() -> list[tuple[str, Writer]]:
    """List the titles and writers of siteplanner, then of other packages, in their order.

    Raises :class:`~siteplanner.InputError` for packages that cannot be used.
    """
    errors = Errors()
    found: list[tuple[str, Writer]] = []
    for name, offer in by_name(WRITERS).items():
        with errors.gather():
            function = offer.load()
            title = getattr(function, "__writer__", None)
            if title is None:
                raise offer.broken(f'writer {name} has no title: put @writer("Writing ...") on it')
            found.append((title, offer.guarded(function, f"writer {name}")))
    errors.raise_any()
    return found


def write_all(plan: Plan, folder: Path, step: Callable[[str], None]) -> None:
    """Have every writer write the files that people take away; ``step`` is told what comes next.

    Raises :class:`~siteplanner.InputError` naming the package of a writer that fails.
    """
    for title, write in writers():
        step(title)
        write(plan, folder)
