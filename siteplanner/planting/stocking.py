"""Stocking: how far apart trees stand on a kind of ground, by all rules that match it."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass
from pathlib import Path

from siteplanner.base.errors import Errors
from siteplanner.planting.rows.patterns import density_per_ha, patterns
from siteplanner.site.planting import Planting, SpacingRule


@dataclass(frozen=True)
class Stocking:
    """Pattern, distances in m (``row_spacing_m`` None: the pattern's own), bearing, and why."""

    pattern: str
    spacing_m: float
    row_spacing_m: float | None
    bearing_deg: float | None
    why: str


def check_rules(planting: Planting, path: Path) -> None:
    """Raise :class:`~siteplanner.InputError` for every pattern that is named and is none."""
    errors, known = Errors(), patterns()
    for name in dict.fromkeys([planting.pattern, *(rule.pattern for rule in planting.rules)]):
        if name not in known:
            errors.add(
                path,
                "planting",
                f"there is no pattern {name!r}",
                "choose from: " + ", ".join(sorted(known)),
            )
    errors.raise_any()


def stocking_of(
    marks: Set[str], planting: Planting, by_purpose: tuple[float, str] | None = None
) -> Stocking:
    """Weigh all rules that match the ``marks`` of a ground.

    Trees a hectare are the mean of the rules', by their weights; pattern and bearing are those
    of the heaviest rule, of equal ones that with the most trees. A rule for any ground counts
    where no other matches; without one the spacing is that of ``planting``, or where it has
    none, the one ``by_purpose`` (m, and why).

    >>> rules = ({"ground": "frosty", "spacing_m": 4}, {"ground": "wet", "spacing_m": 2})
    >>> stocking_of({"frosty", "wet"}, Planting(rules=rules)).spacing_m  # (625 + 2500) / 2 a ha
    2.53
    """
    matching = [r for r in planting.rules if r.ground in marks and r.ground != "any"]
    matching = matching or [r for r in planting.rules if r.ground == "any"][:1]
    if not matching:
        spacing, why = planting.spacing_m, f"spacing {planting.spacing_m:g} m everywhere"
        if by_purpose is not None and planting.by_purpose:
            spacing, why = by_purpose
        return Stocking(
            planting.pattern, spacing, planting.row_spacing_m, planting.bearing_deg, why
        )
    density = [density_per_ha(r.pattern, r.spacing_m, r.row_spacing_m) for r in matching]
    weight = sum(rule.weight for rule in matching)
    mean = sum(d * r.weight for d, r in zip(density, matching, strict=True)) / weight
    first, own = max(zip(matching, density, strict=True), key=lambda one: (one[0].weight, one[1]))
    closer = (own / mean) ** 0.5
    return Stocking(
        first.pattern,
        round(first.spacing_m * closer, 2),
        None if first.row_spacing_m is None else round(first.row_spacing_m * closer, 2),
        first.bearing_deg,
        _why(matching, density),
    )


def _why(rules: Sequence[SpacingRule], density: Sequence[float]) -> str:
    """Name the rules with what each asks for, and its weight where these differ."""
    alike = len({rule.weight for rule in rules}) == 1
    parts = [
        f"{rule.ground} ground {rule.spacing_m:g} m {rule.pattern} ({trees:,.0f} trees a hectare"
        + ("" if alike else f", weight {rule.weight:g}")
        + ")"
        for rule, trees in zip(rules, density, strict=True)
    ]
    return ("mean of the rules for " if len(rules) > 1 else "rule for ") + " and ".join(parts)
