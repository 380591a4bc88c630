"""Survival from counts: intervals, what differs from the plan, infill, what to expect next."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtri

from siteplanner.after.planted import Planted
from siteplanner.after.survival_counts import CAUSES, latest
from siteplanner.after.survival_estimates import (
    Counted,
    Share,
    Trees,
    foretell,
    mean_size,
    stratified,
)
from siteplanner.season.nursery.orders import ceil
from siteplanner.site.nursery import Survival

#: Causes that the ground brings: another species may stand it better.
OF_THE_GROUND = ("frost", "drought", "wet")
_FAILED = 0.5
_NO_TREES = 1e-6


@dataclass(frozen=True)
class SurvivalOutcome:
    """What a count says.

    ``blocks``: by block and species what was counted, the survival foretold of the whole block
    with its interval, trees dead in it, infill to order. ``zones``: survival by zone and species
    beside the expectation, every counted block weighing the trees that stand in it. ``grounds``:
    by species and kind of ground the updated expectation, weighted alike. ``species``: counted,
    alive, infill ordered, allowed for and still to order. ``evidence``: what was counted by block
    and species, with the kind of ground and the latest day. ``seen``: dead trees where they were
    seen (cells of ``after.damage``), which no estimate is drawn from. ``patchiness``: how many
    times less a counted tree is worth because trees die in patches (the design effect of rows, 1
    or more). ``findings``: in words.
    """

    blocks: pd.DataFrame
    zones: pd.DataFrame
    grounds: pd.DataFrame
    species: pd.DataFrame
    evidence: pd.DataFrame
    patchiness: float
    findings: tuple[str, ...]
    seen: pd.DataFrame = field(default_factory=pd.DataFrame)


def wilson(alive: float, trees: float, confidence: float = 0.95) -> tuple[float, float]:
    """Interval of a share, Wilson (1927), J. Am. Stat. Assoc. 22:209-212.

    ``trees`` need not be whole: it may be an effective number. Without trees the share may be
    anything, (0, 1).
    """
    if trees <= 0:
        return 0.0, 1.0
    z = float(ndtri(0.5 + confidence / 2))
    share = alive / trees
    middle = share + z * z / (2 * trees)
    reach = z * math.sqrt(share * (1 - share) / trees + z * z / (4 * trees * trees))
    low, high = ((middle + sign * reach) / (1 + z * z / trees) for sign in (-1, 1))
    # The formula gives exactly 0 and 1 at the ends, but for floating point.
    return (0.0 if alive <= 0 else max(0.0, low)), (1.0 if alive >= trees else min(1.0, high))


def patchiness(counts: pd.DataFrame) -> float:
    """Design effect of counting whole rows, from how far rows stray from their block's share.

    Sum over rows of (alive - share x planted)^2, by block and species, with m/(m-1) for m rows,
    over what lone trees would give, planted x share x (1 - share); never below 1. It is 1 where
    no block was counted in two rows or more. The ratio estimator of cluster sampling (from
    memory; see any textbook on survey sampling).
    """
    strayed = lone = 0.0
    for _, mine in counts[counts["row"] > 0].groupby(["block", "species"], sort=True):
        rows = len(mine)
        trees = float(mine["planted"].sum())
        if rows < 2 or trees == 0:
            continue
        share = float(mine["alive"].sum()) / trees
        off = mine["alive"].to_numpy() - share * mine["planted"].to_numpy()
        strayed += rows / (rows - 1) * float(off @ off)
        lone += trees * share * (1 - share)
    return max(1.0, strayed / lone) if lone > 0 else 1.0


def updated(
    expected: float, believed: float, alive: float, trees: float, confidence: float
) -> tuple[float, float, float]:
    """Expectation after counting ``trees``, with its interval (low, mean, high).

    The old expectation counts as ``believed`` trees: Beta prior and binomial counts, mean =
    (believed x expected + alive) / (believed + trees), the conjugate rule (from memory; any
    textbook on Bayesian statistics).
    """
    lived = believed * expected + alive
    died = believed * (1 - expected) + trees - alive
    if lived + died < _NO_TREES:
        return 0.0, expected, 1.0
    if min(lived, died) < _NO_TREES:  # the Beta distribution has no width there
        low, high = wilson(lived, lived + died, confidence)
        return low, lived / (lived + died), high
    tail = (1 - confidence) / 2
    low, high = betaincinv(lived, died, [tail, 1 - tail])
    return float(low), lived / (lived + died), float(high)


def judge(
    counts: pd.DataFrame, planted: Planted, expected: dict[str, float], rules: Survival
) -> SurvivalOutcome:
    """Judge a sample (counts of ``read_counts``) beside the plan and its expected survival.

    Of the same trees the latest count is judged. What is learnt of a species on one kind of
    ground says nothing of it on another.
    """
    counts = latest(counts)
    effect = patchiness(counts)
    blocks = _counted_blocks(counts, planted)
    evidence = _evidence(blocks, counts, effect)
    grounds = _grounds(blocks, expected, effect, rules)
    zones = _zones(blocks, expected, effect, rules)
    blocks = _blocks(blocks, counts, planted.trees, effect, grounds, expected, rules)
    species = blocks[blocks["counted"] > 0].groupby("species")[["counted", "alive"]].sum()
    orders = blocks.groupby("species")["infill"].sum()
    species["infill"] = orders.reindex(species.index).fillna(0).astype(np.int64)
    species["allowed"] = [planted.allowed.get(str(name), 0) for name in species.index]
    species["still_to_order"] = (species["infill"] - species["allowed"]).clip(lower=0)
    findings = [*_findings(zones, planted, effect, rules), *_rest_on_others(blocks)]
    return SurvivalOutcome(
        blocks.drop(columns="ground"),
        zones,
        grounds,
        species.reset_index(),
        evidence,
        effect,
        tuple(findings),
    )


def _counted_blocks(counts: pd.DataFrame, planted: Planted) -> pd.DataFrame:
    """Trees ``planted``, ``counted``, ``alive`` and causes, by block, zone (ground) and species."""
    whole = planted.trees.groupby(["block", "zone", "species"], sort=True)["planted"].sum()
    sums = counts.groupby(["block", "species"])[["planted", "alive", *CAUSES]].sum()
    sums = sums.rename(columns={"planted": "counted"})
    found = whole.reset_index().merge(sums, on=["block", "species"], how="left")
    numbers = ["planted", "counted", "alive", *CAUSES]
    found = found.fillna(dict.fromkeys(numbers, 0)).astype(dict.fromkeys(numbers, np.int64))
    return found.assign(ground=[planted.ground_of(zone) for zone in found["zone"]])


def _evidence(blocks: pd.DataFrame, counts: pd.DataFrame, effect: float) -> pd.DataFrame:
    """What was counted of each species in each block, to be learnt from."""
    days = counts.dropna(subset="date").groupby("block")["date"].max()
    found = blocks[blocks["counted"] > 0].assign(design_effect=effect)
    found["date"] = [days.get(block) for block in found["block"]]
    columns = ["species", "ground", "block", "planted", "counted", "alive", "design_effect"]
    return found[[*columns, *CAUSES, "date"]].reset_index(drop=True)


def _not_counted(trees: pd.DataFrame, counts: pd.DataFrame) -> pd.Series[bool]:
    """Say which rows of ``trees`` nobody counted, alone or with their whole block."""
    rows = pd.MultiIndex.from_frame(counts[["block", "row", "species"]])
    mine = pd.MultiIndex.from_frame(trees[["block", "row", "species"]])
    whole = pd.MultiIndex.from_frame(trees.assign(row=0)[["block", "row", "species"]])
    return pd.Series(~(mine.isin(rows) | whole.isin(rows)), trees.index)


def _share(blocks: pd.DataFrame, effect: float) -> Share:
    return stratified(blocks["planted"], blocks["counted"], blocks["alive"], effect)


def _expectation(
    expected: float, share: Share, counted: int, effect: float, rules: Survival
) -> tuple[float, float, float]:
    """Expectation updated by a share; blocks that differ do not make trees worth more than one."""
    worth = min(share.worth, counted / effect)
    alive = share.alive * worth if worth else 0.0
    return updated(expected, rules.belief_trees, alive, worth, rules.confidence)


def _grounds(
    blocks: pd.DataFrame, expected: dict[str, float], effect: float, rules: Survival
) -> pd.DataFrame:
    found = []
    counted = blocks[blocks["counted"] > 0]
    for (name, ground), mine in counted.groupby(["species", "ground"], sort=True):
        trees, alive = int(mine["counted"].sum()), int(mine["alive"].sum())
        low, mean, high = _expectation(expected[name], _share(mine, effect), trees, effect, rules)
        found.append((name, ground, trees, alive, expected[name], mean, low, high))
    columns = ["species", "ground", "counted", "alive"]
    columns += ["expected_before", "expected_survival", "low", "high"]
    return pd.DataFrame(found, columns=columns)


def _blocks(
    blocks: pd.DataFrame,
    counts: pd.DataFrame,
    trees: pd.DataFrame,
    effect: float,
    grounds: pd.DataFrame,
    expected: dict[str, float],
    rules: Survival,
) -> pd.DataFrame:
    """Foretell every block whose zone was counted; the others are not judged (NaN).

    ``trees`` are those of ``Planted``, ``effect`` the design effect of the counted rows.
    """
    judged = blocks.groupby(["zone", "species"])["counted"].transform("sum") > 0
    mine = blocks[judged]
    counted = (mine["counted"] > 0).astype(np.int64)
    others = counted.groupby([mine["zone"], mine["species"]]).transform("sum") - counted
    believed = [
        math.nan if more else _believed(row, blocks, expected, effect, rules)
        for row, more in zip(mine.itertuples(), others, strict=True)
    ]
    left = foretell(*_arrays(mine, counts, trees, np.array(believed), rules), rules.confidence)
    there, alive = mine["planted"].to_numpy(), mine["alive"].to_numpy()
    fewest, mean, most = (alive + n for n in left)
    hope = grounds.set_index(["species", "ground"])["expected_survival"]
    hoped = hope.reindex(pd.MultiIndex.from_frame(mine[["species", "ground"]]))
    found = pd.DataFrame(index=mine.index)
    found["survival"], found["low"], found["high"] = mean / there, fewest / there, most / there
    found["dead_at_least"] = there - most
    found["dead"] = np.round(there - mean).astype(np.int64)
    found["dead_at_most"] = there - fewest
    few = found["survival"] < rules.infill_below
    orders = zip(found["dead"], hoped, few, strict=True)
    found["infill"] = np.array([ceil(n / h) if low else 0 for n, h, low in orders], np.int64)
    columns = ["block", "zone", "ground", "species", "planted", "counted", "alive"]
    return blocks.join(found)[[*columns, *found.columns, *CAUSES]]


def _arrays(
    mine: pd.DataFrame,
    counts: pd.DataFrame,
    trees: pd.DataFrame,
    believed: NDArray[np.float64],
    rules: Survival,
) -> tuple[Trees, Counted]:
    """Put trees and counts as ``foretell`` takes them, the cells in the order of ``mine``."""
    keys = ["block", "species"]
    sizes = trees.groupby(keys)["planted"].agg(mean_size)
    left = trees[_not_counted(trees, counts)].groupby(keys)["planted"].agg(mean_size)
    order = pd.MultiIndex.from_frame(mine[keys])
    cells = Trees(
        zone=mine.groupby(["zone", "species"]).ngroup().to_numpy(np.int64),
        left=(mine["planted"] - mine["counted"]).clip(lower=0).to_numpy(np.int64),
        row_size=left.reindex(order).fillna(1.0).to_numpy(np.float64),
        believed=believed,
        belief=rules.belief_trees,
    )
    some = counts[counts["planted"] > 0]
    n = some["planted"].to_numpy(np.float64)
    whole = sizes.reindex(pd.MultiIndex.from_frame(some[keys])).to_numpy(np.float64)
    return cells, Counted(
        cell=order.get_indexer(pd.MultiIndex.from_frame(some[keys])),
        planted=n,
        alive=some["alive"].to_numpy(np.float64),
        row_size=np.where(some["row"] > 0, n, np.minimum(whole, n)),
    )


def _believed(
    row: Any, blocks: pd.DataFrame, expected: dict[str, float], effect: float, rules: Survival
) -> float:
    """Share alive to expect of a block where no other of its zone was counted.

    The other blocks on the same ground say it; a block's own trees are not among them, or they
    would count twice.
    """
    others = blocks[
        (blocks["species"] == row.species)
        & (blocks["ground"] == row.ground)
        & (blocks["block"] != row.block)
        & (blocks["counted"] > 0)
    ]
    counted, share = int(others["counted"].sum()), _share(others, effect)
    return _expectation(expected[row.species], share, counted, effect, rules)[1]


def _zones(
    blocks: pd.DataFrame, expected: dict[str, float], effect: float, rules: Survival
) -> pd.DataFrame:
    found = []
    for (zone, name), mine in blocks[blocks["counted"] > 0].groupby(["zone", "species"], sort=True):
        share = _share(mine, effect)
        low, high = wilson(share.alive * share.worth, share.worth, rules.confidence)
        hoped = expected[name]
        differs = "better" if hoped < low else "worse" if hoped > high else ""
        sums = mine[["counted", "alive", *CAUSES]].sum()
        found.append(
            {"zone": zone, "species": name, "counted": sums["counted"], "alive": sums["alive"]}
            | {"survival": share.alive, "low": low, "high": high, "expected": hoped}
            | {"differs": differs}
            | {cause: int(sums[cause]) for cause in CAUSES}
        )
    columns = [
        "zone",
        "species",
        "counted",
        "alive",
        "survival",
        "low",
        "high",
        "expected",
        "differs",
        *CAUSES,
    ]
    return pd.DataFrame(found, columns=columns)


def _findings(zones: pd.DataFrame, planted: Planted, effect: float, rules: Survival) -> list[str]:
    said = []
    for row in zones[zones["differs"] != ""].to_dict("records"):
        title = planted.zones.get(row["zone"], ("", ""))[0]
        words = (
            f"Zone {row['zone']} ({title}): of {row['species']} {row['survival']:.0%} live "
            f"({row['low']:.0%} to {row['high']:.0%}, {row['counted']} counted), {row['differs']} "
            f"than the {row['expected']:.0%} expected."
        )
        dead = row["counted"] - row["alive"]
        told = {cause: row[cause] for cause in CAUSES if row[cause]}
        if told and row["differs"] == "worse":
            words += (
                " Of " + f"{dead} dead: " + ", ".join(f"{n} {c}" for c, n in told.items()) + "."
            )
            words += _another(row, told, planted)
        said.append(words)
    if len(zones):
        chance = (1 - rules.confidence) * len(zones)
        said.append(
            f"{len(zones)} comparisons were made. By chance alone, about {chance:.1f} of them "
            "would differ."
        )
    if effect > 1:
        said.append(
            f"Trees live and die in patches, so {effect:.1f} counted trees say only as much as "
            "one independent tree would. The intervals allow for this."
        )
    return said


def _rest_on_others(blocks: pd.DataFrame) -> list[str]:
    """Say where infill is ordered for blocks that nobody counted."""
    counted = blocks.groupby("block")["counted"].sum()
    bare = set(counted.index[counted == 0])
    orders = blocks[blocks["block"].isin(bare) & (blocks["infill"] > 0)]
    if orders.empty:
        return []
    names = ", ".join(sorted(set(orders["block"])))
    return [
        f"Nobody counted in {names}: {int(orders['infill'].sum()):,} plants are to be ordered for "
        "it, judged by the counted blocks of the same zone. Count there before you order."
    ]


def _another(row: dict[str, float], told: dict[str, int], planted: Planted) -> str:
    """Offer other species where the ground itself killed most, and most died."""
    most = max(told, key=lambda cause: told[cause])
    if most not in OF_THE_GROUND or row["high"] >= _FAILED:
        return ""
    frame = planted.substitutes
    names = frame["substitute"][
        (frame["zone"] == row["zone"]) & (frame["species"] == row["species"])
    ]
    if names.empty:
        return f" Before you infill with it again, consider a species that tolerates {most} better."
    return f" Before you infill with it again, consider {', '.join(names)} there."
