"""Which rules of a mix gave way in a zone, by how many trees, and why."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from siteplanner.planting.mix.supply import Candidates, Supply
from siteplanner.site.planting import Mix as Rules

_NO_OTHER_WAY = "the ground and the other rules leave no other way"


@dataclass(frozen=True)
class Clash:
    """A rule that gave way: in words, and by how many trees (or species)."""

    words: str
    short: int
    unit: str = "trees"


@dataclass(frozen=True)
class GivenWay:
    """By how much the solver let each rule of a zone give way.

    ``missed`` (species,) is 1 for one that must be there and is not, ``few`` the number of
    species too few, ``over`` (species,) trees over the largest share, ``short`` trees too few
    of a role.
    """

    missed: NDArray[np.float64]
    few: int
    over: NDArray[np.float64]
    short: dict[str, float]


def clashes_of(
    gave: GivenWay,
    supply: Supply,
    kinds: Candidates,
    rules: Rules,
    trees: NDArray[np.int64],
    stock: NDArray[np.int64] | None,
) -> tuple[Clash, ...]:
    """Name the rules that gave way for the ``trees`` (species,) chosen, by how much, and why."""
    found = [
        Clash(f"{name} must be planted, but no free ground suits it", 1, "")
        for name, missed in zip(kinds.names, gave.missed, strict=True)
        if missed > 0.5
    ]
    fits = np.isfinite(supply.suitability)
    if gave.few > 0:
        asked, got = rules.least_species, rules.least_species - gave.few
        suit = np.count_nonzero(fits.any(axis=0) | (supply.stays > 0))
        why = "suits this ground" if got == 1 else "suit this ground"
        if suit > got:
            why += ", stock and mix" if stock is not None else " and the other rules"
        found.append(
            Clash(f"{asked} species were asked for, but only {got} {why}", gave.few, "species")
        )
    total = int(trees.sum() + supply.stays.sum())
    for role, short in gave.short.items():
        share = rules.roles_asked()[role]
        # Less than a tree is the rounding of a share to whole trees.
        if (lack := int(np.ceil(short - 1e-6))) > 1:
            wanted = f"{share:.0%} {role} were asked for ({int(np.ceil(share * total))} trees)"
            why = _why_short(kinds.having(role), lack, supply, trees, stock)
            found.append(Clash(f"{wanted}; the mix has {lack} trees fewer, because {why}", lack))
    for kind, over in enumerate(gave.over):
        if (more := int(np.ceil(over - 1e-6))) > 1:
            words = f"no species should exceed {rules.largest_share:.0%} of the trees"
            why = _why_over(kind, rules.largest_share, total, supply, trees, stock)
            words += f"; {kinds.names[kind]} does, by {more} trees, because {why}"
            found.append(Clash(words, more))
    return (*found, *_small(supply, kinds, rules, trees, stock))


def _why_short(
    having: NDArray[np.bool_],
    lack: int,
    supply: Supply,
    trees: NDArray[np.int64],
    stock: NDArray[np.int64] | None,
) -> str:
    """Say why ``lack`` more trees of a role cannot be planted."""
    fits = np.isfinite(supply.suitability)
    ground = int(supply.size[fits[:, having].any(axis=1)].sum())
    suited = having & fits.any(axis=0)
    if not ground:
        return "no species with that role suits this ground"
    if stock is not None and (there := int(stock[suited].sum())) < trees[having].sum() + lack:
        return f"there are only {there} plants of these for this zone"
    if ground < trees[having].sum() + lack:
        return f"species with that role suit only {ground} of the {supply.places} places"
    return _NO_OTHER_WAY


def _why_over(
    kind: int,
    largest: float,
    total: int,
    supply: Supply,
    trees: NDArray[np.int64],
    stock: NDArray[np.int64] | None,
) -> str:
    """Say why a species has more than the largest share of all ``total`` trees."""
    fits = np.isfinite(supply.suitability)
    alone = int(supply.size[fits[:, kind] & (fits.sum(axis=1) == 1)].sum())
    if supply.stays[kind] > largest * total:
        return f"{supply.stays[kind]} trees of it stay"
    if alone + supply.stays[kind] > largest * total:
        return f"it alone suits {alone} of the {supply.places} places"
    suit = int(np.count_nonzero(fits.any(axis=0)))
    if suit * largest < 1:
        return f"only {suit} species suit{'s' if suit == 1 else ''} this ground"
    others = fits.any(axis=0) & (np.arange(len(trees)) != kind)
    if stock is not None and (trees[others] >= stock[others]).all():
        return "the stock of the others is used up"
    return _NO_OTHER_WAY


def _small(
    supply: Supply,
    kinds: Candidates,
    rules: Rules,
    trees: NDArray[np.int64],
    stock: NDArray[np.int64] | None,
) -> list[Clash]:
    """Name the new species that have fewer trees than one in a mix should have."""
    stays = supply.stays
    total = trees.sum() + stays.sum()
    least = max(rules.smallest_share * total, rules.smallest_clump)
    ground = supply.size @ np.isfinite(supply.suitability)
    found = []
    # Less than a tree is the rounding of a share to whole trees.
    for kind in np.flatnonzero((trees > 0) & (trees + stays <= least - 1)):
        if stock is not None and trees[kind] >= stock[kind]:
            why = ", because there are no more plants of it for this zone"
        elif trees[kind] >= ground[kind]:
            why = ", because no more places suit it"
        else:
            why = ", so that no place stays empty"
        has = int(trees[kind] + stays[kind])
        asked = f"a species should have at least {int(np.ceil(least))} trees"
        short = int(np.ceil(least)) - has
        found.append(Clash(f"{asked}; {kinds.names[kind]} has {has}{why}", short))
    return found
