"""The species of a site: which may be planted, of which there is seed, and a few of their facts.

Which may be planted is ``never`` under ``[mix]`` in the site file; all else is a cell of the site's
own table. The readers of both say what is wrong.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from siteplanner.base.errors import InputError, input_error
from siteplanner.desk.drawing.before import keep
from siteplanner.desk.drawing.features import WrongError
from siteplanner.desk.drawing.saving import StaleError, in_place, replace_text, site_text
from siteplanner.desk.table_cells import with_cells
from siteplanner.reading.files.sheet import read_sheet
from siteplanner.reading.species.seed_facts import HAVE_SEED
from siteplanner.reading.species.table import read_species
from siteplanner.site.edit import with_settings
from siteplanner.site.names import check_names
from siteplanner.site.site_file import Site

_KEY = "botanical_name"
#: Facts that the page shows and changes, where the table has them: column, title, kind.
_FIELDS = (
    ("common_name", "Common name", "text"),
    ("expected_survival", "Share expected to live, 0.05 to 1", "number"),
    ("mature_height_m", "Height when grown, m", "number"),
    ("crown_m", "Crown when grown, m", "number"),
    ("spacing_m", "Spacing, m", "number"),
)


def species_of(site: Site) -> dict[str, Any]:
    """List the species with what the page shows of each.

    Raises :class:`~siteplanner.InputError` for a table that cannot be read.
    """
    path = _path(site)
    cells = read_sheet(path)
    table = read_species(path)
    fields = [one for one in _FIELDS if one[0] in cells]
    never = set(site.mix.never)
    facts = table.facts.to_dict("records")
    return {
        "file": path.name,
        "editable": path.suffix.lower() == ".csv",
        "version": _version(site),
        "fields": [{"column": c, "title": t, "kind": k} for c, t, k in fields],
        "species": [
            {
                "name": row[_KEY],
                "common": row["common_name"],
                "roles": ", ".join(row["roles"]),
                "cautions": row["cautions"],
                "plant": row[_KEY] not in never,
                "seed": row[HAVE_SEED] == "yes",
                "values": {column: str(cells[column].iloc[n]) for column, _, _ in fields},
            }
            for n, row in enumerate(facts)
        ],
    }


def change(site: Site, asked: Mapping[str, Any]) -> None:
    """Change one species: ``plant`` or ``seed`` (true or false), or ``values`` by column.

    Raises :class:`~siteplanner.desk.drawing.saving.StaleError` where the files are not of the
    ``version`` asked, :class:`~siteplanner.desk.drawing.features.WrongError` with what the readers
    refuse, or :class:`~siteplanner.InputError`; then nothing has changed.
    """
    path, name = _path(site), str(asked.get("name"))
    if _version(site) != asked.get("version"):
        raise StaleError
    names = list(read_species(path).facts[_KEY])
    if name not in names:
        raise input_error(path, name, "the table has no such species", "choose one of the list")
    if isinstance(asked.get("plant"), bool):
        _plant(site, name, names, asked["plant"])
        return
    changes = {c: str(t)[:500].strip() for c, t in (asked.get("values") or {}).items()}
    changes = {column: changes[column] for column, _, _ in _FIELDS if column in changes}
    if isinstance(asked.get("seed"), bool):
        changes[HAVE_SEED] = "yes" if asked["seed"] else ""
    if path.suffix.lower() != ".csv":
        raise input_error(path, "", "it is no CSV", "change it in its own program, or save it as "
                          "CSV and name that under [species] in site.toml")  # fmt: skip
    if changes:
        _write(path, name, changes)


def _plant(site: Site, name: str, names: list[str], plant: bool) -> None:
    never = [one for one in site.mix.never if one != name] + [name] * (not plant)
    text = with_settings(site.path, site_text(site), "mix", {"never": never or None})
    try:
        check_names(
            site.model_copy(update={"mix": site.mix.model_copy(update={"never": never})}), names
        )
    except InputError as error:  # what is wrong of others was so before
        mine = [str(one) for one in error.errors if name in one.what]
        if mine:
            raise WrongError(*((None, "plant", one) for one in mine)) from None
    replace_text(site.path, text)


def _write(path: Path, name: str, changes: Mapping[str, str]) -> None:
    """Write cells of one species beside the table, have it read, and put it in its place."""
    beside = path.with_name(f".{path.stem}.new{path.suffix}")
    given = {(name, column): text for column, text in changes.items()}
    beside.write_bytes(with_cells(path.read_bytes(), _KEY, given))
    try:
        read_species(beside)
        keep(path)
        in_place(beside, path)
    except InputError as error:
        raise WrongError(*(
            (None, one.where.rpartition(", ")[2], str(one).replace(str(beside), path.name))
            for one in error.errors
        )) from None  # fmt: skip
    finally:
        beside.unlink(missing_ok=True)


def _path(site: Site) -> Path:
    return site.folder / site.species.file


def _version(site: Site) -> str:
    digest = hashlib.sha256(_path(site).read_bytes())
    digest.update(repr(sorted(site.mix.never)).encode())
    return digest.hexdigest()
