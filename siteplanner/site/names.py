"""Names: species that the planting settings name must be in the species table."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from siteplanner.base.errors import Errors, near
from siteplanner.site.site_file import Site


def check_names(site: Site, species: Collection[str]) -> None:
    """Raise :class:`~siteplanner.InputError` for every name that is none of ``species``."""
    mix = site.mix
    named: dict[str, Iterable[str]] = {
        "mix.aim": mix.aim,
        "mix.must": mix.must,
        "mix.never": mix.never,
        "mix.clump": mix.clump,
        "mix.tree_costs": mix.tree_costs,
        "years.shade_lovers": site.years.shade_lovers,
    }
    errors = Errors()
    for place, names in named.items():
        for name in names:
            if name not in species:
                what = f"{name!r} is not in the species table"
                errors.add(site.path, place, what, near(name, species))
    for name in sorted(set(mix.must) & set(mix.never)):
        what = f"{name!r} is in both must and never"
        errors.add(site.path, "mix.must", what, "remove it from one of the two")
    first, planting = site.years.first, site.nursery.first_year
    if first is not None and planting is not None and first != planting:
        errors.add(
            site.path,
            "years.first",
            f"it is {first}, but nursery.plant_on is in {planting}",
            "write the same year in both, or leave years.first out",
        )
    errors.raise_any()
