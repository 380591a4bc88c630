"""How sure the suitability is: the ground and the tolerances drawn anew and scored, many times.

What is uncertain, and how it is drawn (spreads are settings of ``[how_sure]``, from memory):
heights, by noise that is alike over some tens of metres; soil lines, moved together; the coldest
night, by its own standard error, up or down over the whole site; the species' tolerances, each
limit by itself. The chance that a species suits (S1 or S2) is the share of draws in which it
does. Draws on the same terrain are not independent, so the standard error of a chance is taken
between the terrain draws. Seeded: the same site gives the same chances.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from siteplanner.base.grid import BoolGrid, FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.plugins import code_of
from siteplanner.base.results import cache
from siteplanner.base.tables import write_table
from siteplanner.base.text import unique_slugs
from siteplanner.base.units import hectares
from siteplanner.ground import resolve
from siteplanner.reading.inputs import Inputs
from siteplanner.site.site_file import HowSure, Site
from siteplanner.suitability.classes import CLASSES
from siteplanner.suitability.factors import Factor
from siteplanner.suitability.of_site import ready
from siteplanner.suitability.score import score_species

SUITS = CLASSES[1][1]
_SEED = 20260102
_METHOD = (
    "Share of random draws (from a fixed seed) of heights, soil lines, coldest night and "
    "tolerances in which the species suits."
)


@dataclass(frozen=True)
class Chances:
    """Chances that each species suits each cell of a (coarse) grid.

    ``chance`` and ``error`` (its standard error) float32 (species, cells of the mask in
    row-major order), 0-1; ``mapped`` bool, where the species suits by the ground as mapped.
    """

    grid: Grid
    mask: BoolGrid
    names: tuple[str, ...]
    chance: NDArray[np.float32]
    error: NDArray[np.float32]
    mapped: NDArray[np.bool_]
    rules: HowSure


def how_sure(site: Site, step: Callable[[str], None] = lambda words: None) -> Chances:
    """Draw the ground and the tolerances anew, and count how often each species suits.

    Works on cells of ``site.how_sure.cell_m``. Raises
    :class:`~siteplanner.InputError` as a plan does.
    """
    rules = site.how_sure
    wide = max(rules.cell_m, site.dem.cell_m or 0)
    coarse = site.model_copy(update={"dem": site.dem.model_copy(update={"cell_m": wide})})
    start = ready(coarse)
    inputs, book, factors = start.inputs, start.book, start.factors
    needed = {f.layer for f in factors} | {"winter_minimum_error"}
    order = resolve.check(book, needed, list(resolve.GIVEN), coarse.layers, coarse.path)
    given = inputs.given()
    mask = inputs.grid.cover(inputs.paddocks[inputs.paddocks["plant"]].geometry)
    mask &= np.isfinite(inputs.dem)
    mapped = resolve.resolve(order, given, needed, coarse.layers)
    as_mapped = score_species(factors, mapped, mask, index=site.species.index).score >= SUITS
    shape = (rules.terrains, *as_mapped.shape)
    share = np.empty(shape, dtype=np.float32)
    seeds = np.random.SeedSequence(_SEED).spawn(rules.terrains)

    def one_terrain(seed: np.random.SeedSequence) -> cache.Arrays:
        draw = np.random.default_rng(seed)
        noise = correlated(inputs.dem.shape, rules.height_reach_m / inputs.grid.cell, draw)
        ground = dict(given)
        ground["dem"] = (inputs.dem + rules.height_error_m * noise).astype(np.float32)
        ground["soils"] = moved(inputs.soils, draw.normal(0, rules.soil_line_m, 2))
        with cache.bypassed():  # a drawn night would push the ground's own out
            layers = resolve.resolve(order, ground, needed, coarse.layers)
        return {"share": _one_terrain(factors, layers, mask, rules, draw, site.species.index)}

    key = _key(coarse, inputs, order)
    for number, seed in enumerate(seeds):
        step(f"How sure: terrain {number + 1} of {rules.terrains}")
        found = cache.cached("chances", f"{key}-{number}", functools.partial(one_terrain, seed))
        share[number] = found["share"]
    chance = share.mean(axis=0)
    error = share.std(axis=0, ddof=1) / np.sqrt(rules.terrains)
    names = tuple(inputs.species.facts["botanical_name"])
    return Chances(inputs.grid, mask, names, chance, error, as_mapped, rules)


def _key(site: Site, inputs: Inputs, order: Sequence[resolve.Maker]) -> str:
    """Tell what the draws hang on: every input file, every setting, and all of the code."""
    code = code_of(maker.offer for maker in order)
    return cache.key_of([sorted(inputs.hashes.items()), json.dumps(site.settings())], code)


def _one_terrain(
    factors: Sequence[Factor],
    layers: dict[str, FloatGrid],
    mask: BoolGrid,
    rules: HowSure,
    draw: np.random.Generator,
    index: str,
) -> NDArray[np.float32]:
    """Share of the draws on one terrain in which each species suits each cell."""
    total = np.zeros((factors[0].species, int(mask.sum())), dtype=np.float32)
    for _ in range(rules.draws):
        here = dict(layers)
        if "winter_minimum" in here:
            here["winter_minimum"] = (
                layers["winter_minimum"] + draw.normal() * layers["winter_minimum_error"]
            ).astype(np.float32)
        drawn = [shifted(factor, rules, draw) for factor in factors]
        total += score_species(drawn, here, mask, index=index).score >= SUITS
    return (total / rules.draws).astype(np.float32)


def correlated(
    shape: tuple[int, int], reach_cells: float, draw: np.random.Generator
) -> NDArray[np.float64]:
    """Noise with standard deviation 1 that is alike over about ``reach_cells``."""
    noise = gaussian_filter(draw.standard_normal(shape), reach_cells, mode="wrap")
    return noise / noise.std()


def moved(soils: gpd.GeoDataFrame, by: NDArray[np.float64]) -> gpd.GeoDataFrame:
    """All soil lines moved together, ``by`` metres east and north."""
    return soils.set_geometry(soils.geometry.translate(float(by[0]), float(by[1])))


def shifted(factor: Factor, rules: HowSure, draw: np.random.Generator) -> Factor:
    """A factor with every limit drawn anew; a species' points stay in order.

    A limit is the place on the ramp from "dies" to "thrives" where a species begins to suit: it
    shifts by ``tolerance_c`` for temperatures, by ``tolerance_share`` of itself for others. The
    ramp goes with it, its width drawn about itself by ``tolerance_share`` (judgement). Two ramps
    that would cross meet halfway. Lists of categories stay as they are.
    """
    if factor.points is None:
        return factor
    in_celsius = factor.layer.startswith("winter_minimum")
    in_celsius = factor.layer.startswith("winter_minimum")
    lowest, low, high, highest = factor.points.T
    dies, thrives = _ramp_drawn(lowest, low, in_celsius, rules, draw)
    dies_above, thrives_to = _ramp_drawn(highest, high, in_celsius, rules, draw)
    crossed = thrives > thrives_to
    thrives[crossed] = thrives_to[crossed] = (thrives[crossed] + thrives_to[crossed]) / 2
    points = [np.minimum(dies, thrives), thrives, thrives_to, np.maximum(thrives_to, dies_above)]
    return replace(factor, points=np.column_stack(points))


def _ramp_drawn(
    dies: NDArray[np.float64],
    thrives: NDArray[np.float64],
    in_celsius: bool,
    rules: HowSure,
    draw: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Both ends of each species' ramp drawn anew; an end that is open stays open."""
    with np.errstate(invalid="ignore"):  # an open end leaves no ramp
        suits = dies + SUITS / 100 * (thrives - dies)
    only = np.where(np.isfinite(thrives), thrives, np.where(np.isfinite(dies), dies, 0.0))
    limit = np.where(np.isfinite(suits), suits, only)
    error = rules.tolerance_c if in_celsius else rules.tolerance_share * np.abs(limit)
    moved_to = limit + error * draw.standard_normal(len(limit))
    width = np.exp(rules.tolerance_share * draw.standard_normal(len(limit)))
    return moved_to + (dies - limit) * width, moved_to + (thrives - limit) * width


def layers_of(found: Chances) -> list[tuple[LayerInfo, FloatGrid]]:
    """Layers to write: the chance of each species, safe bets and risky ones."""
    out = []
    stems = unique_slugs(found.names)
    for name, stem, chance in zip(found.names, stems, found.chance, strict=True):
        info = LayerInfo(
            f"Chance that {name} suits", "share", _METHOD, "siteplanner", (0, 1),
            name=f"chance_{stem}",
        )  # fmt: skip
        out.append((info, _spread(found, chance)))
    for name, title, cells in (
        ("safe_bets", "Species that are a safe bet", safe(found)),
        ("risky_bets", "Species that suit by the map but are risky", risky(found)),
    ):
        info = LayerInfo(title, "species", _METHOD, "siteplanner", (0, 255), name=name)
        out.append((info, _spread(found, cells.sum(axis=0))))
    return out


def safe(found: Chances) -> NDArray[np.bool_]:
    """Where a species suits by the map and in nearly all draws."""
    return found.mapped & (found.chance >= found.rules.safe)


def risky(found: Chances) -> NDArray[np.bool_]:
    """Where a species suits by the map, but the draws do not bear it out."""
    return found.mapped & (found.chance < found.rules.risky)


def _spread(found: Chances, values: NDArray[np.generic]) -> FloatGrid:
    out = np.full(found.mask.shape, np.nan, dtype=np.float32)
    out[found.mask] = values
    return out


def write_how_sure(found: Chances, path: Path) -> None:
    """Write a row a species: hectares that suit by the map, safe and risky, and the chance."""
    cell_ha = hectares(found.grid.cell_area)
    rows = []
    for number, name in enumerate(found.names):
        on = found.mapped[number]
        areas = (a[number].sum() * cell_ha for a in (found.mapped, safe(found), risky(found)))
        mean = found.chance[number][on].mean() if on.any() else None
        error = found.error[number][on].max() if on.any() else None
        rows.append([name, *areas, mean, error])
    areas_ha = ("suits_ha", "safe_ha", "risky_ha")
    chances = ("mean_chance_there", "largest_standard_error")
    numbers = dict.fromkeys(areas_ha, ".2f") | dict.fromkeys(chances, ".3f")
    write_table(path, pd.DataFrame(rows, columns=["species", *numbers]), numbers)
