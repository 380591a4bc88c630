"""The door through which layers, patterns and writers come in, siteplanner's own among them.

A package offers them as entry points of a group. Offers are listed in one order: siteplanner's
own, then the other packages' by the package's name, and within a package by the entry point's
name, which may begin with a number for the sake of order. What a package gets wrong is told as
bad input is: in a sentence that names the package and its entry point.
"""

from __future__ import annotations

import functools
import importlib.metadata
import importlib.util
import sys
import tomllib
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar, cast

from siteplanner import __version__
from siteplanner.base.errors import ErrorDetail, Errors, InputError, input_error

Function = TypeVar("Function", bound=Callable[..., Any])

OWN = "siteplanner"
LAYERS, PATTERNS, WRITERS = GROUPS = (
    "siteplanner.layers",
    "siteplanner.patterns",
    "siteplanner.writers",
)


class PluginError(InputError):
    """Another package cannot be used as it is: it does not load, fails, or breaks a promise."""


@dataclass(frozen=True)
class Offer:
    """What a package offers: an entry point's group, name and value, the package and its version.

    ``value`` is ``module`` or ``module:function``.
    """

    group: str
    name: str
    value: str
    package: str
    version: str = ""

    @property
    def ours(self) -> bool:
        """Whether siteplanner itself offers it."""
        return self.package == OWN

    @property
    def top(self) -> str:
        """The outermost module that the offer comes from."""
        return self.value.partition(":")[0].partition(".")[0].strip()

    def load(self) -> Any:
        """Import what is offered. Raises :class:`PluginError` when another package fails to."""
        entry = importlib.metadata.EntryPoint(self.name, self.value, self.group)
        try:
            return entry.load()
        except (Exception, SystemExit) as error:
            if self.ours:
                raise
            raise self.broken(f"{self.value} could not be imported{self._why(error)}") from error

    def broken(self, what: str) -> Exception:
        """Make the error for a promise that the package breaks, ready to raise."""
        if self.ours:
            return ValueError(what)
        return PluginError(
            ErrorDetail(
                f"plugin {self.package}",
                f"entry point {self.name} of {self.group}",
                what,
                f"update {self.package}, or uninstall it (pip uninstall {self.package})",
            )
        )

    def guarded(self, function: Function, what: str) -> Function:
        """Give a function whose failure names the package and the line of its code.

        ``what`` says what the function makes, such as "layer erodible". Functions of siteplanner
        are given back as they are: their failure is no plugin's.
        """
        if self.ours:
            return function

        @functools.wraps(function)
        def call(*given: Any, **named: Any) -> Any:
            try:
                return function(*given, **named)
            except InputError:
                raise
            except (Exception, SystemExit) as error:
                words = f"{what} of {self.package} failed{self._why(error)}"
                raise self.broken(words) from error

        return call  # type: ignore[return-value]

    def _why(self, error: BaseException) -> str:
        """Say where in the package's own code an error arose, and which."""
        spot = _last_line(error, error.__traceback__, self.top)
        at = f" at {spot[0]} line {spot[1]}" if spot else ""
        words = " ".join(str(getattr(error, "msg", error)).split())
        return f"{at}: {type(error).__name__}" + (f": {words}" if words else "")


def _last_line(
    error: BaseException, trace: TracebackType | None, top: str
) -> tuple[str, int] | None:
    """File, from the package's folder on, and line of the last own code that an error went by."""
    spots = [
        (frame.f_code.co_filename, line)
        for frame, line in traceback.walk_tb(trace)
        if str(frame.f_globals.get("__name__", "")).partition(".")[0] == top
    ]
    if isinstance(error, SyntaxError) and error.filename and error.lineno:
        spots.append((error.filename, error.lineno))
    if not spots:
        return None
    file, line = spots[-1]
    parts = Path(file).parts
    stems = [Path(part).stem for part in parts]
    start = len(stems) - 1 - stems[::-1].index(top) if top in stems else len(parts) - 1
    return "/".join(parts[start:]), line


def _folders() -> tuple[tuple[str, int], ...]:
    """Folders that packages are looked for in, and when something was last put into each."""
    return tuple((path, Path(path).stat().st_mtime_ns) for path in sys.path if Path(path).exists())


@functools.lru_cache(maxsize=16)
def _installed(_: tuple[tuple[str, int], ...], group: str) -> importlib.metadata.EntryPoints:
    """A group's entry points; going through every package's metadata takes a while."""
    return importlib.metadata.entry_points(group=group)


def offers(group: str) -> list[Offer]:
    """List what installed packages offer in a group, siteplanner's own first.

    Raises :class:`~siteplanner.InputError` where siteplanner itself is not installed, or was
    installed before its ``pyproject.toml`` was changed.
    """
    found = [
        Offer(group, entry.name, entry.value, entry.dist.name, entry.dist.version)
        for entry in _installed(_folders(), group)
        if entry.dist is not None
    ]
    own = {offer.name: offer.value for offer in found if offer.ours}
    root = Path(__file__).parents[2]
    if not own or own != _declared(root, group, own):
        raise input_error(
            OWN,
            group,
            "siteplanner is not installed, or was installed before its own parts changed",
            f"install siteplanner: pip install -e {root}",
        )
    return sorted(found, key=lambda offer: (not offer.ours, offer.package, offer.name))


def _declared(root: Path, group: str, installed: dict[str, str]) -> dict[str, str]:
    """Give siteplanner's own offers as its project file has them; ``installed`` without one."""
    file = root / "pyproject.toml"
    if not file.is_file():
        return installed
    project = _project(file.read_text(encoding="utf-8"))
    if project.get("name") != OWN:
        return installed
    declared: dict[str, str] = project.get("entry-points", {}).get(group, {})
    return declared


@functools.lru_cache(maxsize=1)
def _project(text: str) -> dict[str, Any]:
    """Give the project's table of a project file with this text; parsing it takes a while."""
    return cast("dict[str, Any]", tomllib.loads(text).get("project", {}))


def by_name(group: str) -> dict[str, Offer]:
    """Give a group's offers by name, in their order.

    Raises :class:`~siteplanner.InputError`, naming both packages, for a name offered twice.
    """
    errors = Errors()
    found: dict[str, Offer] = {}
    for offer in offers(group):
        first = found.setdefault(offer.name, offer)
        if first != offer:
            what = group.removeprefix(f"{OWN}.").removesuffix("s")
            errors.add(
                f"plugin {offer.package}",
                f"entry point {offer.name} of {group}",
                f"{what} {offer.name} is offered by {first.package} and by {offer.package}",
                f"uninstall one of them (pip uninstall {offer.package}), or ask its author to "
                "rename it",
            )
    errors.raise_any()
    return found


def packages() -> dict[str, str]:
    """Versions of the other packages that offer anything, by name."""
    found = (offer for group in GROUPS for offer in offers(group))
    return {offer.package: offer.version for offer in found if not offer.ours}


def code_of(made_by: Iterable[Offer] = ()) -> list[str]:
    """Tell the code that results hang on: siteplanner's, and that of the packages of offers.

    One line for each package, with its version, and one for each of its source files, with
    the SHA-256 of its content. A package's every file counts, since a function may call any.
    """
    tops = {(OWN, __version__, OWN), *((o.package, o.version, o.top) for o in made_by)}
    lines = []
    for package, version, top in sorted(tops):
        lines.append(f"{package} {version}")
        for name, file in sorted(_sources(package, top).items()):
            lines.append(f"{name} {sha256(file.read_bytes()).hexdigest()}")
    return lines


def _sources(package: str, top: str) -> dict[str, Path]:
    """Source files of a package, by their path from where it is installed.

    Those of the outermost module and, for another package, all that its metadata list.
    """
    found: dict[str, Path] = {}
    try:
        spec = importlib.util.find_spec(top)
    except ValueError:  # a module made by hand
        spec = None
    if spec is not None and spec.submodule_search_locations is not None:
        for place in map(Path, spec.submodule_search_locations):
            found |= {f.relative_to(place.parent).as_posix(): f for f in place.rglob("*.py")}
    elif spec is not None and spec.origin is not None:
        found[Path(spec.origin).name] = Path(spec.origin)
    if package == OWN:
        return found
    try:
        listed = importlib.metadata.files(package) or ()
    except importlib.metadata.PackageNotFoundError:
        listed = ()
    for one in listed:
        file = Path(str(one.locate()))
        if one.suffix == ".py" and file.is_file():
            found.setdefault(one.as_posix(), file)
    return found
