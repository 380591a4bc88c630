"""How long a plan will take and how much memory, said before the work starts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import psutil

from siteplanner.base.errors import InputError, input_error
from siteplanner.reading.inputs import Inputs
from siteplanner.site.site_file import Site

#: Processor seconds and bytes: to start with, for a cell, for a tree. See :func:`forecast`.
_SECONDS = (7.6, 12e-6, 0.25e-3)
_BYTES = (0.45e9, 370.0, 650.0)
#: What is said holds within this factor either way.
FACTOR = 2.0


@dataclass(frozen=True)
class Forecast:
    """What a plan is expected to take: its ``cells`` and ``trees``, ``seconds`` and ``bytes``."""

    cells: int
    trees: int
    seconds: float
    bytes: float

    @property
    def in_words(self) -> str:
        """Time and memory, in words that follow "takes"."""
        return (
            f"about {_time(self.seconds)} and {_memory(self.bytes)} of memory, give or take a "
            f"factor of {FACTOR:g}; machines differ in speed"
        )


def forecast(cells: int, trees: int) -> Forecast:
    """Foretell what a plan takes from the cells of its grid and its trees.

    Both grow in step with cells and with trees. The figures were fitted (least squares of
    relative errors, none over 7 %) to whole runs of 28 November 2026, each with an empty cache and
    22 species, on a machine of two cores (AMD EPYC) that did other work meanwhile, so that the
    seconds are the processor's; an idle machine, on which layers are written beside the work, is
    somewhat quicker by the clock. Cells, trees as :func:`forecast_of` has them, seconds, GB:

    ========= ======= ===== =====
    84,100     25,231  15.4  0.51
    175,561   100,322  32.8  0.57
    628,849   600,730   174  1.09
    1,024,604  34,879  28.9  0.86
    ========= ======= ===== =====

    Later that day, with sheets and tags that say more, the sample took 34.0 to 35.7 processor
    seconds and 0.85 GB and 600,000 trees 195 s and 1.13 GB on a machine that did nothing else; a
    million took 1.63 GB, for which 1.45 are foretold.
    """
    seconds, held = (
        start + cell * cells + tree * trees for start, cell, tree in (_SECONDS, _BYTES)
    )
    return Forecast(cells, trees, seconds, held)


def forecast_of(site: Site, inputs: Inputs) -> Forecast:
    """Foretell what the plan of a site takes, once its files are read.

    Its trees are taken as those that the ground to plant holds at the site file's spacing, or at
    the mean of its spacings where rules have others; setbacks and unsuitable ground, which
    are not known yet, leave fewer.
    """
    to_plant = inputs.paddocks[inputs.paddocks["plant"].to_numpy(dtype=bool)]
    if site.paddocks.only is not None:
        to_plant = to_plant[to_plant["name"] == site.paddocks.only]
    rules = site.planting
    spacings = [rules.spacing_m, *(rule.spacing_m for rule in rules.rules)]
    an_m2 = float(np.mean([1 / spacing**2 for spacing in spacings]))
    return forecast(inputs.dem.size, round(float(to_plant.area.sum()) * an_m2))


def too_large(told: Forecast, free_bytes: float, site: Site) -> InputError | None:
    """Refuse, with the way out, a plan that is foretold to need more memory than is free."""
    if told.bytes <= free_bytes:
        return None
    return input_error(
        site.path,
        "dem.cell_m",
        f"planning {told.cells:,} cells and up to about {told.trees:,} trees takes "
        f"about {_memory(told.bytes)} of memory, give or take a factor of {FACTOR:g}, and this "
        f"machine has {_memory(free_bytes)} free",
        "close other programs, write a larger cell_m under [dem], plan one paddock at a time "
        "(--paddock NAME), or split the property into several sites",
    )


def _time(seconds: float) -> str:
    if seconds < 90:
        return f"{max(10, 10 * round(seconds / 10))} seconds"
    if seconds < 90 * 60:
        return f"{round(seconds / 60)} minutes"
    return f"{seconds / 3600:.1f} hours"


def _memory(held: float) -> str:
    return f"{held / 1e9:.1f} GB"


def foretell(site: Site, tell: Callable[[str], None], inputs: Inputs) -> None:
    """Tell how long a plan takes and how much memory.

    Raises :class:`~siteplanner.InputError` for what the memory that is free does not hold.
    """
    told = forecast_of(site, inputs)
    if error := too_large(told, psutil.virtual_memory().available, site):
        raise error
    tell(f"This takes {told.in_words}.")
