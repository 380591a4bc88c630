"""Where plants that are on hand may go: whole rows of blocks that are ready. Changes no plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import rasterio
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from siteplanner.after.planted import read_planted
from siteplanner.after.ticked import read_status, read_ticks
from siteplanner.base.errors import input_error, near
from siteplanner.base.grid import Grid
from siteplanner.planting.access import NOT_ON_FOOT
from siteplanner.planting.mix.allocation import scores_at
from siteplanner.planting.zones.decisions import mixes_of
from siteplanner.planting.zones.setbacks import too_tall
from siteplanner.reading.decisions import read_decisions
from siteplanner.reading.nursery_counts import read_stock
from siteplanner.reading.published import Published, read_published
from siteplanner.reading.species.nature import waits_for_shelter
from siteplanner.reading.species.table import read_species
from siteplanner.site.planting import Mix
from siteplanner.site.site_file import Site
from siteplanner.suitability.classes import NOT_SCORED
from siteplanner.suitability.score import Suitability

#: A block in which anything may still be planted, by its status in the plan.
READY = ("", "planned", "printed", "pegged")
MOST_BLOCKS = 3
#: A further block is worth the walk for this share of the first one's plants (judgement).
_WORTH_IT = 0.1


@dataclass(frozen=True)
class Offer:
    """Whole rows of a block for some of the plants.

    ``plants``, ``mean`` and ``least`` (suitability 0-100 at their places) by botanical name;
    ``planned`` is what the plan has at the same places, by botanical name.
    """

    block: str
    rows: tuple[int, ...]
    plants: dict[str, int]
    mean: dict[str, float]
    least: dict[str, float]
    planned: dict[str, int]

    @property
    def number(self) -> int:
        """All plants of the offer."""
        return sum(self.plants.values())


@dataclass(frozen=True)
class Placed:
    """What was found for ``stock``: the best block first, what is left over, and why.

    ``about`` has a line on each block offered, ``cautions`` by species what its table warns of.
    """

    stock: dict[str, int]
    offers: tuple[Offer, ...]
    left: dict[str, int]
    why: tuple[str, ...]
    about: dict[str, str]
    cautions: dict[str, str]


def stock_of(
    site: Site,
    file: Path | None,
    name: str | None,
    number: int | None,
    notes: list[str] | None = None,
) -> dict[str, int]:
    """Take the plants on hand from a CSV ``species, plants``, or from a name and a number.

    Decimal commas are listed in ``notes``. Raises :class:`~siteplanner.InputError` for a species
    that the site's table does not list, a number that is none, and for no plants at all.
    """
    names = list(read_species(site.folder / site.species.file).facts["botanical_name"])
    if file is not None:
        found = {n: held for n, held in read_stock(file, names, notes).items() if held}
        if not found:
            raise input_error(file, "plants", "there are none", "write the plants on hand")
        return found
    if name not in names:
        raise input_error(
            "--species", "", f"{name!r} is not in the species table", near(str(name), names)
        )
    return {str(name): number or 0}


def place(site: Site, folder: Path, stock: dict[str, int], ticks: Sequence[Path] = ()) -> Placed:
    """Find the best ready blocks for plants, one to three, in whole rows of the published plan.

    ``ticks`` are blocks marked as planted on the map. Raises :class:`~siteplanner.InputError`.
    """
    plan = read_published(folder)
    facts = read_species(site.folder / site.species.file).facts
    blocks = plan.features("blocks", ("block", "zone", "paddock", "year", "trees"))
    trees = plan.features("trees", ("block", "zone", "row", "species", "year"))
    works = plan.table("blocks.csv", ["block"]).set_index("block")
    ticked = read_ticks(ticks, read_planted(folder)) if ticks else None
    blocks, not_ready = _ready(blocks, works, read_status(site.blocks_file) or {}, ticked)
    year = blocks.set_index("block")["year"]
    # A place whose tree waits for shelter is not ready, though its block is.
    trees = trees[trees["year"].to_numpy() == trees["block"].map(year).to_numpy()]
    trees = trees.sort_values(["block", "row"], kind="stable").reset_index(drop=True)
    names = list(stock)
    mine = facts.set_index("botanical_name").loc[names].reset_index()
    score = _scores(plan, names, trees)
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    tall = too_tall(
        x, y, mine["mature_height_m"].to_numpy(dtype=np.float64), plan.features("no_plant")
    )
    rules = _rules(site, facts, trees)
    barred, lowest = _limits(rules, mine, trees["zone"])
    barred |= waits_for_shelter(mine, site.years.shade_lovers)
    fit = np.where(tall | barred | (score < lowest), np.nan, score)
    held = np.array([stock[name] for name in names], dtype=np.int64)
    offers = best_blocks(trees, fit, held, names)
    left = held - [sum(o.plants.get(name, 0) for o in offers) for name in names]
    why = list(not_ready)
    for n, name in enumerate(names):
        if left[n] == held[n]:
            why.append(_why(name, trees, score[:, n], tall[:, n], barred[:, n], lowest[:, n], fit))
    return Placed(
        stock,
        tuple(offers),
        {name: int(k) for name, k in zip(names, left, strict=True) if k},
        tuple(why),
        _about(plan, blocks, works, offers),
        {n: c for n, c in zip(names, mine["cautions"], strict=True) if c},
    )


def best_blocks(
    trees: pd.DataFrame, fit: NDArray[np.floating], stock: NDArray[np.int64], names: Sequence[str]
) -> list[Offer]:
    """Choose blocks one by one, each the best for what is left: most suitability, summed.

    ``trees`` has ``block, row, species`` in walking order, ``fit`` (places, species) the
    suitability, NaN where a species may not stand; ``stock`` (species,) and ``names`` in ``fit``'s
    order. The sum over plants prefers more plants placed, and of equals the better ground.
    """
    left = stock.copy()
    parts = {str(block): np.asarray(at) for block, at in trees.groupby("block").indices.items()}
    row = trees["row"].to_numpy()
    offers: list[Offer] = []
    while parts and left.any() and len(offers) < MOST_BLOCKS:
        found = {block: fill_rows(row[at], fit[at], left) for block, at in parts.items()}
        block = max(found, key=lambda b: (_worth(fit[parts[b]], found[b]), [-ord(c) for c in b]))
        kind, at = found[block], parts.pop(block)
        number = int((kind >= 0).sum())
        if number == 0 or (offers and number < _WORTH_IT * offers[0].number):
            break
        offers.append(_offer(block, trees.iloc[at], fit[at], kind, names))
        left = left - np.bincount(kind[kind >= 0], minlength=len(left))
    return offers


def fill_rows(
    row: NDArray[np.int64], fit: NDArray[np.floating], stock: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Fill rows that follow each other, each wholly, with the stock; the best run of rows.

    ``row`` (places,) rises; ``fit`` (places, species) as in :func:`best_blocks`. Within a row
    plants go where they suit best. Returns the species of each place, -1 where none.
    """
    nothing = np.full(len(row), -1, dtype=np.int64)
    if not len(row):
        return nothing
    starts = np.flatnonzero(np.diff(row, prepend=row[0] - 1))
    slices = [slice(a, b) for a, b in zip(starts, [*starts[1:], len(row)], strict=True)]
    best, most = nothing, 0.0
    for first in range(len(slices)):
        kind, left = nothing.copy(), stock.copy()
        for part in slices[first:]:
            mine = _fill_row(fit[part], left)
            if mine is None:
                break
            kind[part] = mine
            left -= np.bincount(mine, minlength=len(left))
        if (worth := _worth(fit, kind)) > most:
            best, most = kind, worth
    return best


def _fill_row(fit: NDArray[np.floating], left: NDArray[np.int64]) -> NDArray[np.int64] | None:
    """Give every place of a row a species, None where the stock cannot do it."""
    places = len(fit)
    if left.sum() < places or np.isnan(fit[:, left > 0]).all(axis=1).any():
        return None
    plant = np.repeat(np.arange(len(left)), np.minimum(left, places))
    # No sum of suitabilities outweighs one place without a plant that may stand there.
    worth = np.nan_to_num(fit, nan=-101.0 * places)[:, plant]
    mine = plant[linear_sum_assignment(worth, maximize=True)[1]]
    return None if np.isnan(fit[np.arange(places), mine]).any() else mine


def _worth(fit: NDArray[np.floating], kind: NDArray[np.int64]) -> float:
    placed = np.flatnonzero(kind >= 0)
    return float(fit[placed, kind[placed]].sum())


def _offer(
    block: str,
    trees: pd.DataFrame,
    fit: NDArray[np.floating],
    kind: NDArray[np.int64],
    names: Sequence[str],
) -> Offer:
    placed = np.flatnonzero(kind >= 0)
    suits = pd.Series(fit[placed, kind[placed]]).groupby(np.asarray(names)[kind[placed]])
    return Offer(
        block=block,
        rows=tuple(int(r) for r in np.unique(trees["row"].to_numpy()[placed])),
        plants={str(k): int(v) for k, v in suits.size().items()},
        mean={str(k): float(v) for k, v in suits.mean().items()},
        least={str(k): float(v) for k, v in suits.min().items()},
        planned={str(k): int(v) for k, v in trees["species"].iloc[placed].value_counts().items()},
    )


def _ready(
    blocks: gpd.GeoDataFrame,
    works: pd.DataFrame,
    marked: Mapping[str, str],
    ticks: pd.DataFrame | None,
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Blocks that people may plant in one of the planned years, and which are not, by reason."""
    blocks = blocks[blocks["trees"] > 0]
    status = pd.Series("planned", index=blocks.index)
    if "status" in blocks:
        status = blocks["status"].fillna("").astype(str).str.lower()
    # What the site's file says of a block is newer than the plan.
    status = pd.Series(
        [marked.get(name, said) for name, said in zip(blocks["block"], status, strict=True)],
        index=blocks.index,
        dtype=object,
    )
    if ticks is not None:
        status[blocks["block"].isin(ticks["block"])] = "planted"
    status[status.isin(READY) & (blocks["year"] <= 0)] = "left for after the planned years"
    if "access_class" in works:
        steep = works.index[works["access_class"] == NOT_ON_FOOT]
        status[status.isin(READY) & blocks["block"].isin(steep)] = NOT_ON_FOOT
    ready = status.isin(READY)
    said = [
        f"Not offered, as {word}: {', '.join(blocks['block'][status == word])}."
        for word in sorted(set(status[~ready]))
    ]
    if not ready.any():
        said.append("No block of the plan is ready.")
    return blocks[ready].reset_index(drop=True), said


def _scores(plan: Published, names: Sequence[str], trees: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Read the suitability (places, species) of the named species from the plan's layers."""
    files = sorted(n for n in plan.manifest["files"] if fnmatchcase(n, "*/suitability_*.tif"))
    found: dict[str, NDArray[np.uint8]] = {}
    grid = None
    for name in files:
        path = plan.folder / name
        try:
            with rasterio.open(path) as file:
                species = file.tags().get("species", "")
                if species not in names:
                    continue
                found[species] = file.read(1)
                grid = Grid(pyproj.CRS(file.crs.to_wkt()), file.transform, file.shape)
        except rasterio.errors.RasterioError as error:
            raise input_error(
                path, "", f"it cannot be read ({error})", "make the plan again"
            ) from None
    for name in names:
        if name not in found:
            raise input_error(
                plan.folder, "layers", f"there is no suitability of {name}", "make the plan again"
            )
    assert grid is not None
    layers = np.stack([found[name] for name in names])
    mask = (layers != NOT_SCORED).all(axis=0)
    score = layers[:, mask]
    x, y = trees.geometry.x.to_numpy(), trees.geometry.y.to_numpy()
    return scores_at(grid, Suitability(mask, (), score, score, score), x, y).astype(np.float64)


def _rules(site: Site, facts: pd.DataFrame, trees: gpd.GeoDataFrame) -> dict[str, Mix]:
    """Rules of the mix by zone, with what the user barred there."""
    crs = pyproj.CRS(trees.crs.to_wkt())
    decided = read_decisions(site, crs, list(facts["botanical_name"]))
    general, own = mixes_of(site.mix, decided, facts)
    return {zone: own.get(zone, general) for zone in sorted(set(trees["zone"]))}


def _limits(
    rules: Mapping[str, Mix], facts: pd.DataFrame, zone: pd.Series[str]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Which species are barred, and the least suitability asked of them: (places, species)."""
    barred = np.zeros((len(zone), len(facts)), dtype=bool)
    lowest = np.zeros((len(zone), len(facts)))
    for letter, mix in rules.items():
        here = zone.to_numpy() == letter
        barred[here] = facts["botanical_name"].isin(mix.never).to_numpy()
        lowest[here] = [
            max([mix.lowest_suitability, *(mix.role_suitability.get(r, 0) for r in roles)])
            for roles in facts["roles"]
        ]
    return barred, lowest


def _why(
    name: str,
    trees: pd.DataFrame,
    score: NDArray[np.float64],
    tall: NDArray[np.bool_],
    barred: NDArray[np.bool_],
    lowest: NDArray[np.float64],
    fit: NDArray[np.float64],
) -> str:
    """Say why no plant of a species found a place."""
    if not len(trees):
        return f"{name}: there is no ready block."
    if barred.all():
        return (
            f"{name}: your site file says not to plant it in ready blocks (never under [mix], "
            "shade_lovers under [years], or [decisions])."
        )
    free = np.where(barred, -1, score)
    best = int(free.argmax())
    if (free < lowest).all():
        return (
            f"{name} suits no ready block: at its best place, in block {trees['block'][best]}, its "
            f"suitability is {score[best]:.0f} of 100, and {lowest[best]:.0f} is asked for."
        )
    if (tall | (free < lowest)).all():
        return (
            f"{name} grows too tall for where it suits: it could fall on a power line or building."
        )
    whole = pd.Series(~np.isnan(fit).all(axis=1)).groupby([trees["block"], trees["row"]])
    rows = whole.size()[whole.all()]
    if rows.empty:
        return f"{name} suits some places of ready rows, but no row as a whole."
    return (
        f"{name}: there are too few plants for a whole row; the shortest that suits has "
        f"{rows.min()} places."
    )


def _about(
    plan: Published, blocks: gpd.GeoDataFrame, works: pd.DataFrame, offers: Sequence[Offer]
) -> dict[str, str]:
    """A line on each block offered: ground, paddock, when and for whom."""
    titles = plan.features("zones", ("zone", "title")).set_index("zone")["title"]
    found = {}
    for offer in offers:
        block = blocks.set_index("block").loc[offer.block]
        work = works.loc[offer.block] if offer.block in works.index else pd.Series(dtype=str)
        words = [
            str(titles.get(block["zone"], "")),
            f"paddock {block['paddock']}",
            f"planned for {'year ' if block['year'] < 1000 else ''}{block['year']}",
            str(work.get("window", "")),
            str(work.get("access_class", "")),
        ]
        found[offer.block] = "; ".join(word for word in words if word)
    return found
