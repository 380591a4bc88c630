"""What every species thinks of every cell of a site, from its files."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np

from siteplanner.base.errors import Errors
from siteplanner.base.grid import Grid
from siteplanner.base.results.memory import Call, afresh
from siteplanner.ground import resolve
from siteplanner.ground.assess import (
    Each,
    Ground,
    Step,
    assess,
    catalogue_of,
    nothing_each,
    nothing_step,
)
from siteplanner.ground.margin import chosen_margin
from siteplanner.reading.input_files import Land
from siteplanner.reading.inputs import Inputs, read_inputs
from siteplanner.site.site_file import Site
from siteplanner.suitability.confidence import (
    commonest_limit,
    hints_on,
    known_share,
    less_known,
)
from siteplanner.suitability.factors import Factor, factors
from siteplanner.suitability.score import Suitability, score_species


@dataclass(frozen=True)
class Ready:
    """Everything that was read and checked before any work.

    ``book`` lists the layers that the site can have, ``order`` the layer functions in the order
    of work, ``factors`` the tolerances tied to their layers.
    """

    inputs: Inputs
    book: resolve.Catalogue
    order: tuple[resolve.Maker, ...]
    factors: tuple[Factor, ...]


def ready(site: Site, call: Call = afresh) -> Ready:
    """Read and check everything that a plan needs, and compute nothing yet but the margin.

    Raises :class:`~siteplanner.InputError` with the errors of files, species and layer settings
    together.
    """
    errors = Errors()
    book = order = inputs = found = None
    with errors.gather():
        book = catalogue_of(site)
        order = resolve.check(book, list(book.makers), list(resolve.GIVEN), site.layers, site.path)
    with errors.gather():
        inputs = read_inputs(site, call)
        if book is not None and site.dem.margin_m is None:
            inputs = _with_margin(site, inputs, book, call)
    if book is not None and inputs is not None:
        with errors.gather():
            found = factors(inputs.species, book.infos())
    errors.raise_any()
    assert book is not None and inputs is not None and found is not None and order is not None
    return Ready(inputs, book, tuple(order), tuple(found))


def _with_margin(site: Site, inputs: Inputs, book: resolve.Catalogue, call: Call) -> Inputs:
    """Read the site again where ground further beyond the boundary matters than was read."""
    margin, tried = Land.of(site, call).read(
        chosen_margin, inputs.given(), inputs.boundary, inputs.edges, book
    )
    if margin == inputs.edges.margin_m:
        return replace(inputs, edges=replace(inputs.edges, tried_m=tried))
    dem = site.dem.model_copy(update={"margin_m": margin})
    wider = read_inputs(site.model_copy(update={"dem": dem}), call)
    said = (
        f"Ground is worked out to {margin:.0f} m beyond the boundary instead of "
        f"{inputs.edges.margin_m:.0f} m, since water or cold air from there reaches the property. "
        "margin_m under [dem] sets it."
    )
    edges = replace(wider.edges, tried_m=tried)
    return replace(wider, edges=edges, notes=(*wider.notes, said))


def suitability_of(
    ground: Ground,
    given: Mapping[str, Any],
    boundary: gpd.GeoDataFrame,
    found: Sequence[Factor],
    *,
    index: str,
    each: Each = nothing_each,
) -> Suitability:
    """Score the species on the cells whose centre is in the boundary.

    ``given`` is what the ground was worked out from (``Inputs.given``); ``each`` is given the
    layers that say how far the scores can be trusted.
    """
    _agree(found, ground)
    grid: Grid = given["grid"]
    mask = grid.cover(boundary.geometry) & np.isfinite(given["dem"])
    suitability = score_species(found, ground.layers, mask, index=index)
    hints = hints_on(given["soils"], grid)
    if hinted := bool(hints.any()):
        suitability = less_known(suitability, ground.layers, hints)
    for info, values in (
        known_share(suitability, hinted=hinted),
        commonest_limit(suitability, ground.infos),
    ):
        each(info, values, grid)
    return suitability


def assessed(
    site: Site,
    reads: Collection[str] = (),
    *,
    each: Each = nothing_each,
    step: Step = nothing_step,
    have_read: Callable[[Inputs], None] = lambda _: None,
    call: Call = afresh,
) -> tuple[Inputs, Ground, Suitability]:
    """Go from a site's files to the scores: read, assess the ground, score the species.

    ``reads`` names the layers that the caller reads beside the species' factors; ``have_read`` is
    called with what was read, before any work; what is dear goes through ``call``. Raises
    :class:`~siteplanner.InputError`.
    """
    step("Reading the site's files")
    start = ready(site, call)
    have_read(start.inputs)
    given, boundary = start.inputs.given(), start.inputs.boundary
    asked = sorted({*reads, *(factor.layer for factor in start.factors)})
    ground = call(assess, given, boundary, site.layers, start.order, asked, each=each, step=step)
    step("Scoring the species")
    index = site.species.index
    suitability = call(
        suitability_of, ground, given, boundary, start.factors, index=index, each=each
    )
    return start.inputs, ground, suitability


def _agree(found: Sequence[Factor], ground: Ground) -> None:
    """Hold layers of categories to their classes: a wrong code would read past the table."""
    for factor in found:
        if factor.scores is None:
            continue
        values = ground.layers[factor.layer]
        known = values[np.isfinite(values)]
        classes = len(ground.infos[factor.layer].classes)
        if known.size and not (known.min() >= 0 and known.max() < classes):
            raise ValueError(f"layer {factor.layer} holds codes outside its classes")
