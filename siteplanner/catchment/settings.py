"""The catchment file: which sites are planned together and what they share, documented here.

A catchment file is TOML; paths in it are relative to the file. ``load_catchment`` checks it;
``find_sites`` finds the site files that it names.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import pydantic
from pydantic import Field

from siteplanner.base.errors import ErrorDetail, Errors, InputError, input_error, near
from siteplanner.base.text import slug
from siteplanner.site.site_file import Site, explained, load_site, read_toml
from siteplanner.site.table import Table


class Sites(Table):
    """``[catchment]``: what it is called, and its sites."""

    name: str = Field(min_length=1, max_length=200)
    sites: tuple[str, ...] = Field(min_length=1)
    """Paths of site files, of folders with a site.toml, or patterns such as "*/site.toml"."""


class Stock(Table):
    """``[stock]``: what the sites have in common, to be shared out.

    Nothing is called lacking of a species that neither file lists; list it with 0 to say that
    there is none.
    """

    tubes: str | None = None
    """A CSV of plants: ``species, plants``."""
    seed: str | None = None
    """A CSV of clean seed: ``species, grams``."""


class Sharing(Table):
    """``[sharing]``: who comes first when a shared stock is short; see ``catchment.sharing``."""

    must_first: bool = True
    """Sites that must have a species, by [mix] in their site file, come first."""


class Privacy(Table):
    """``[privacy]``: what the files for sharing say of mother trees."""

    seed_sources: Literal["left out", "blurred"] = "left out"
    """"blurred": the middle of the grid square that a mother tree is in."""
    grid_m: Annotated[float, Field(ge=500, le=100_000)] = 1000.0
    """Width of the squares of that grid."""


class Catchment(Table):
    """A whole catchment file, checked. ``path`` is where it was read from."""

    path: Path = Field(exclude=True)
    catchment: Sites
    stock: Stock = Stock()
    sharing: Sharing = Sharing()
    privacy: Privacy = Privacy()

    @property
    def name(self) -> str:
        """What the catchment is called."""
        return self.catchment.name

    @property
    def slug(self) -> str:
        """The catchment's name as a folder name."""
        return slug(self.name) or "catchment"

    @property
    def folder(self) -> Path:
        """The folder that paths in the catchment file are relative to."""
        return self.path.parent

    @property
    def blur_m(self) -> float | None:
        """Width of the squares that mother trees are blurred to; None to leave them out."""
        return self.privacy.grid_m if self.privacy.seed_sources == "blurred" else None


@dataclass(frozen=True)
class Found:
    """A site of the catchment: its file, its name, and its name as a folder's.

    ``errors`` is what is wrong with the site file; such a site cannot be planned, and goes by
    the name of the folder that it lies in.
    """

    file: Path
    name: str
    slug: str
    errors: tuple[ErrorDetail, ...] = ()


def load_catchment(path: str | Path) -> Catchment:
    """Read and check a catchment file.

    Raises :class:`~siteplanner.InputError` with every error found.
    """
    path = Path(path)
    if path.is_dir():
        path = path / "catchment.toml"
    tables = read_toml(path, "give the path of a catchment file (catchment.toml)")
    if "path" in tables:
        known = set(Catchment.model_fields) - {"path"}
        raise input_error(path, "path", "this setting does not exist", near("path", known))
    try:
        return Catchment(path=path, **tables)
    except pydantic.ValidationError as error:
        parts = (explained(path, part, Catchment) for part in error.errors())
        raise InputError(*parts) from None


def find_sites(catchment: Catchment) -> tuple[Found, ...]:
    """Find the catchment's sites, in the order of their folders' names.

    A file that is named twice counts once. Raises :class:`~siteplanner.InputError` for a
    path without a file, a pattern that nothing fits, and two sites whose plans would have the
    same folder. A site file that is there and broken is told in the site's ``errors``.
    """
    errors = Errors()
    files: dict[Path, Path] = {}
    for number, words in enumerate(catchment.catchment.sites, 1):
        for file in _files(catchment, words, f"catchment.sites, entry {number}", errors):
            files.setdefault(file.resolve(), file)
    found: dict[str, Found] = {}
    for one in sorted(map(_look_at, files.values()), key=lambda one: (one.slug, str(one.file))):
        if one.slug in found and not one.errors:
            first = found[one.slug]
            errors.add(
                catchment.path,
                "catchment.sites",
                f"{first.name!r} ({first.file}) and {one.name!r} ({one.file}) would be written to "
                f"the same folder, {one.slug}",
                "give each site its own name",
            )
        found[one.slug if not one.errors else str(one.file)] = one
    errors.raise_any()
    return tuple(found.values())


def _files(catchment: Catchment, words: str, where: str, errors: Errors) -> list[Path]:
    """Site files that one entry names."""
    if any(c in words for c in "*?["):
        try:
            matches = sorted(catchment.folder.glob(words))
        except (ValueError, NotImplementedError, OSError) as error:
            errors.add(
                catchment.path, where, f"{words!r} is not a valid pattern ({error})",
                "write one relative to the catchment file, such as farms/*/site.toml",
            )  # fmt: skip
            return []
        files = [m / "site.toml" if m.is_dir() else m for m in matches]
        files = [file for file in files if file.is_file()]
        if not files:
            errors.add(
                catchment.path, where, f"no site file matches {words!r}", "check the pattern"
            )
        return files
    path = catchment.folder / words
    path = path / "site.toml" if path.is_dir() else path
    if not path.is_file():
        errors.add(catchment.path, where, f"there is no file {path}", "check the path")
        return []
    return [path]


def _look_at(file: Path) -> Found:
    try:
        site: Site = load_site(file)
    except InputError as error:
        name = file.parent.resolve().name
        return Found(file, name, slug(name) or "site", error.errors)
    return Found(file, site.site.name, site.slug)
