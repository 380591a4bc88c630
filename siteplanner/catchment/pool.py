"""The sites' orders of plants and seed put together, and shared stock shared out. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from siteplanner.catchment.planned import Planned
from siteplanner.catchment.sharing import share
from siteplanner.catchment.stock import MG

_STAND_INS = 3

_MUST = "sites that must have the species by their own site file, then to the other sites' trees"
_RULE = (
    "Shared plants go to {first}, then to the allowance for infill. Where there is not enough "
    "for all of a round, every site gets the same part of what it asked for, in whole plants: "
    "the next plant always goes to the site with the smallest (2 × got + 1) / asked, and among "
    "equals to the folder whose name comes first. Seed is shared in the same way, by the "
    "milligram, to raise the plants that the shared plants do not cover. No site gets more than "
    "it asked for, and a larger stock never leaves a site with less."
)


@dataclass(frozen=True)
class Shared:
    """What the sites have in common: plants and milligrams of seed by species; None if not told."""

    tubes: Mapping[str, int] | None = None
    seed_mg: Mapping[str, int] | None = None
    must_first: bool = True

    @property
    def rule(self) -> str:
        """How it is shared out, in words."""
        return _RULE.format(first=_MUST if self.must_first else "the trees of all sites alike")


def orders(sites: Mapping[str, Planned], shared: Shared) -> pd.DataFrame:
    """Put the orders of all sites together and share out what they have in common.

    ``sites`` are plans by their folder's name. One row a site and species: ``site, species,
    common_name, trees, infill, order, on_hand, worst, expected, best, must`` as the plan has
    them; ``plants`` still to come by; ``from_tubes`` of the shared plants; ``to_raise`` beyond
    those; ``seed_g`` that the plan asks for (NaN where the weight of its seed is unknown),
    ``seed_asked_g`` for what is to raise, ``from_seed_g`` of the shared seed; ``lacking``
    plants for which there is neither: 0 for a species that neither stock lists (its seed is the
    site's own business), NaN where seed is in stock and the site's cannot be weighed.
    """
    frames = [plan.species.assign(site=site) for site, plan in sites.items()]
    seed = [
        plan.batches.groupby("species", sort=True)["seed_g"]
        .agg(lambda g: g.sum(skipna=False))
        .rename("seed_g")
        .reset_index()
        .assign(site=site)
        for site, plan in sites.items()
    ]
    frame = pd.concat(frames, ignore_index=True).merge(
        pd.concat(seed, ignore_index=True), how="left", on=["site", "species"]
    )
    frame = frame.sort_values(["species", "site"], ignore_index=True)
    frame["plants"] = (frame["order"] - frame["on_hand"]).clip(lower=0)
    frame.loc[frame["plants"] == 0, "seed_g"] = 0.0
    frame["from_tubes"] = _tubes(frame, shared)
    frame["to_raise"] = frame["plants"] - frame["from_tubes"]
    asked = _seed_asked_mg(frame)
    got = _seed(frame, asked, shared)
    frame["seed_asked_g"] = asked / MG
    frame["from_seed_g"] = got / MG
    frame["lacking"] = _lacking(frame, asked, got, shared)
    return frame[
        ["site", "species", "common_name", "trees", "infill", "order", "on_hand", "worst",
         "expected", "best", "must", "plants", "from_tubes", "to_raise", "seed_g", "seed_asked_g",
         "from_seed_g", "lacking"]
    ]  # fmt: skip


def _tubes(frame: pd.DataFrame, shared: Shared) -> pd.Series[int]:
    """Shared plants that each row gets: must-haves, other trees, then infill."""
    got = pd.Series(0, index=frame.index, dtype=np.int64)
    trees = (frame["trees"] - frame["on_hand"]).clip(lower=0)
    for name, mine in frame.groupby("species", sort=True):
        stock = (shared.tubes or {}).get(str(name), 0)
        first = mine["must"] if shared.must_first else mine["must"] & False
        need = trees[mine.index]
        rounds = [need[first], need[~first], mine["plants"] - need]
        got[mine.index] = _shared_out(stock, rounds, mine["site"])
    return got


def _seed_asked_mg(frame: pd.DataFrame) -> pd.Series[float]:
    """Milligrams of seed to raise what the shared plants leave; NaN where it has no weight."""
    whole = (frame["seed_g"] * MG).round()
    part = frame["to_raise"] / frame["plants"].clip(lower=1)
    # Rounding guards 300.00000000000006 from coming out as 301.
    return np.ceil((whole * part).round(6))


def _seed(frame: pd.DataFrame, asked: pd.Series[float], shared: Shared) -> pd.Series[int]:
    got = pd.Series(0, index=frame.index, dtype=np.int64)
    for name, mine in frame.groupby("species", sort=True):
        stock = (shared.seed_mg or {}).get(str(name), 0)
        first = mine["must"] if shared.must_first else mine["must"] & False
        need = asked[mine.index].fillna(0).astype(np.int64)
        got[mine.index] = _shared_out(stock, [need[first], need[~first]], mine["site"])
    return got


def _shared_out(stock: int, rounds: Sequence[pd.Series[int]], site: pd.Series[str]) -> list[int]:
    asks = [{str(site[row]): int(number) for row, number in asked.items()} for asked in rounds]
    got = share(stock, asks)
    return [got.get(str(name), 0) for name in site]


def _lacking(
    frame: pd.DataFrame, asked: pd.Series[float], got: pd.Series[int], shared: Shared
) -> pd.Series[float]:
    listed = frame["species"].isin({*(shared.tubes or {}), *(shared.seed_mg or {})})
    seeded = frame["species"].map(lambda name: (shared.seed_mg or {}).get(name, 0)) > 0
    # Without any seed in stock all that is to raise is lacking, whatever its seed weighs.
    missing = ((asked - got) / asked.where(asked > 0)).where(seeded, 1.0)
    lacking = np.ceil((frame["to_raise"] * missing).round(6))
    return lacking.where(listed & (frame["to_raise"] > 0), 0.0)


def pooled(orders: pd.DataFrame, shared: Shared) -> pd.DataFrame:
    """Sum the orders up by species.

    Columns ``species, common_name, sites, trees, infill, order, on_hand, plants, worst,
    expected, best, from_tubes, tubes_left, to_raise, seed_g, sites_without_weight,
    seed_asked_g, from_seed_g, seed_left_g, lacking``. What is left is of the shared stock; a
    species that no site asks for is all left. Weights and what is lacking leave out sites that
    do not know the weight of their seed.
    """
    by = orders.groupby("species", sort=True)
    whole = ["trees", "infill", "order", "on_hand", "plants", "worst", "expected", "best",
             "from_tubes", "to_raise"]  # fmt: skip
    sums = [*whole, "seed_g", "seed_asked_g", "from_seed_g", "lacking"]
    found = by[sums].sum()
    found.insert(0, "common_name", by["common_name"].first())
    found.insert(1, "sites", by["order"].agg(lambda n: int((n > 0).sum())))
    found["sites_without_weight"] = by["seed_g"].agg(lambda g: int(g.isna().sum()))
    stocked = sorted({*(shared.tubes or {}), *(shared.seed_mg or {})} - set(found.index))
    found = found.reindex([*found.index, *stocked]).sort_index()
    found["common_name"] = found["common_name"].fillna("")
    found = found.fillna(0)
    names = [str(name) for name in found.index]
    tubes = np.array([(shared.tubes or {}).get(n, 0) for n in names], dtype=np.int64)
    seed = np.array([(shared.seed_mg or {}).get(n, 0) for n in names], dtype=np.int64)
    found["tubes_left"] = tubes - found["from_tubes"]
    found["seed_left_g"] = (seed - (found["from_seed_g"] * MG).round()) / MG
    for column in ("seed_g", "seed_asked_g", "from_seed_g", "seed_left_g"):
        found[column] = found[column].round(6)
    whole += ["sites", "sites_without_weight", "tubes_left", "lacking"]
    found = found.astype(dict.fromkeys(whole, np.int64)).reset_index()
    return found[
        ["species", "common_name", "sites", "trees", "infill", "order", "on_hand", "plants",
         "worst", "expected", "best", "from_tubes", "tubes_left", "to_raise", "seed_g",
         "sites_without_weight", "seed_asked_g", "from_seed_g", "seed_left_g", "lacking"]
    ]  # fmt: skip


def seed_lots(sites: Mapping[str, Planned]) -> pd.DataFrame:
    """Seed to collect by species and permit, over all sites; no place and no mother tree.

    Columns ``species, common_name, permit, sites`` (names of their folders), ``plants, tubes,
    trays, seed_g, weight_unknown`` (batches), ``collect_from, collect_to`` (first and last day,
    ISO text), ``cautions``. Permits and sites keep the seed's origin apart: seed of one row must
    not be taken for another's without asking.
    """
    frame = pd.concat(
        [plan.batches.assign(site=site) for site, plan in sites.items()], ignore_index=True
    )
    rows = []
    for (name, permit), mine in frame.groupby(["species", "permit"], sort=True):
        days = [sorted(filter(None, mine[column])) for column in ("collect_from", "collect_to")]
        rows.append(
            (
                name,
                mine["common_name"].iloc[0],
                permit,
                "; ".join(dict.fromkeys(mine["site"])),
                *(int(mine[column].sum()) for column in ("plants", "tubes", "trays")),
                round(float(mine["seed_g"].sum()), 6),
                int(mine["seed_g"].isna().sum()),
                days[0][0] if days[0] else "",
                days[1][-1] if days[1] else "",
                "; ".join(dict.fromkeys(filter(None, mine["cautions"]))),
            )
        )
    columns = ["species", "common_name", "permit", "sites", "plants", "tubes", "trays", "seed_g",
               "weight_unknown", "collect_from", "collect_to", "cautions"]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def shortages(
    sites: Mapping[str, Planned], orders: pd.DataFrame, pooled: pd.DataFrame
) -> pd.DataFrame:
    """Say which site lacks what, and which species could stand in there.

    Columns ``site, species, lacking, stand_ins``: up to three species that fit the places of
    the one that is lacking and are not lacking at the site themselves, those of which shared
    plants are left first, then the best fitting.
    """
    short = orders[orders["lacking"] > 0]
    lacks = set(zip(short["site"], short["species"], strict=True))
    left = pooled.set_index("species")["tubes_left"]
    rows = []
    for row in short.itertuples():
        offered = sites[row.site].substitutes
        offered = offered[offered["species"] == row.species]
        means = offered.groupby("substitute", sort=True)["suitability"].mean()
        usable = sorted(
            (left.get(name, 0) <= 0, -float(suitability), str(name))
            for name, suitability in means.items()
            if (row.site, name) not in lacks
        )
        words = [
            f"{name} (suitability {-suitability:.0f} of 100"
            f"{'' if none else f', {left[name]} shared plants left'})"
            for none, suitability, name in usable[:_STAND_INS]
        ]
        rows.append((row.site, row.species, int(row.lacking), "; ".join(words)))
    return pd.DataFrame(rows, columns=["site", "species", "lacking", "stand_ins"])
