"""What is said of a site before it is planned: faulty plugins, zones drawn by hand, steps."""

from __future__ import annotations

from siteplanner.base.errors import Errors
from siteplanner.ground.assess import Step, catalogue_of, nothing_step
from siteplanner.handover.write import writers
from siteplanner.planting import lay_out as planting
from siteplanner.planting.draw_zones import draw_zones
from siteplanner.planting.rows.patterns import patterns
from siteplanner.site.site_file import Site
from siteplanner.suitability.of_site import assessed

#: What ``write_plan`` tells of beside layers, terrains and writers.
_OTHER_STEPS = (
    "reading",
    "scoring",
    "zones",
    "grids",
    "mix",
    "works",
    "nursery",
    "layers",
    "project",
    "saving",
)


def check_plugins() -> None:
    """Load every pattern and writer, so that what is wrong with one is told before any work.

    Layers are loaded with the site's inputs. Raises :class:`~siteplanner.InputError`.
    """
    errors = Errors()
    with errors.gather():
        patterns()
    with errors.gather():
        writers()
    errors.raise_any()


def notes_on_zones(site: Site, *, step: Step = nothing_step) -> tuple[str, ...]:
    """Say of zones drawn by hand what the plan would say; the ground is assessed for that.

    Empty where the site has none. Writes nothing. Raises :class:`~siteplanner.InputError`.
    """
    if site.decisions.zones is None:
        return ()
    inputs, ground, suitability = assessed(site, planting.READS, step=step)
    return draw_zones(inputs, ground, suitability, site, step=step).notes


def steps_of(site: Site, *, sure: bool = False) -> int:
    """Count the steps that ``write_plan`` will tell: one a layer, and one for each other part."""
    layers = len(catalogue_of(site).makers)
    terrains = site.how_sure.terrains if sure else 0
    return layers + terrains + len(writers()) + len(_OTHER_STEPS)
