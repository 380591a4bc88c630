"""The whole way on one page: read, assess, score, lay out, season, plan, hand over."""

from __future__ import annotations

from pathlib import Path

import psutil

from siteplanner.after.how_sure import how_sure, layers_of, write_how_sure
from siteplanner.base.errors import Errors
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.results.memory import Call, afresh
from siteplanner.forecast import forecast_of, too_large
from siteplanner.ground.assess import Each, Step, catalogue_of, nothing_each, nothing_step
from siteplanner.handover.folder.background import BackgroundWriter
from siteplanner.handover.folder.full_disk import told_when_full
from siteplanner.handover.folder.manifest import write_manifest
from siteplanner.handover.folder.publish import staged
from siteplanner.handover.gis.project import write_project
from siteplanner.handover.gis.rasters import write_layer, write_suitability
from siteplanner.handover.tables.calendar import carry_on
from siteplanner.handover.write import write_all, writers
from siteplanner.plan import READS, Plan, plan_of
from siteplanner.planting import lay_out as planting
from siteplanner.planting.draw_zones import draw_zones
from siteplanner.planting.lay_out import lay_out
from siteplanner.planting.rows.patterns import patterns
from siteplanner.reading.inputs import Inputs
from siteplanner.season import season as seasons
from siteplanner.season.season import season_of
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


def make_plan(
    site: Site,
    *,
    each: Each = nothing_each,
    step: Step = nothing_step,
    tell: Step = nothing_step,
) -> Plan:
    """Run all parts in order: ground, suitability, layout, season, plan.

    ``each`` is given every layer as soon as it exists; ``step`` is told, in words, what comes
    next, and ``tell`` once, before any work, how long it takes and how much memory. Writes
    nothing. Raises :class:`~siteplanner.InputError`, also for what memory does not hold.
    """
    return plan_through(afresh, site, each=each, step=step, tell=tell)


def plan_through(
    call: Call,
    site: Site,
    *,
    each: Each = nothing_each,
    step: Step = nothing_step,
    tell: Step = nothing_step,
) -> Plan:
    """Make a plan as :func:`make_plan` does, what is dear through ``call``.

    A :class:`~siteplanner.base.results.memory.Memory` keeps it for the next plan, which is the
    same with it and without; ``each`` and ``step`` hear of what is worked out.
    """
    reads = {*planting.READS, *seasons.READS, *READS}

    def foretold(inputs: Inputs) -> None:
        told = forecast_of(site, inputs)
        if error := too_large(told, psutil.virtual_memory().available, site):
            raise error
        tell(f"This takes {told.in_words}.")

    inputs, ground, suitability = assessed(
        site, reads, each=each, step=step, have_read=foretold, call=call
    )
    layout = lay_out(inputs, ground, suitability, site, step=step, call=call)
    season = season_of(inputs, ground, suitability, layout, site, step=step, call=call)
    return plan_of(site, inputs, ground, suitability, layout, season, call)


def notes_on_zones(site: Site, *, step: Step = nothing_step) -> tuple[str, ...]:
    """Say of zones drawn by hand what the plan would say; the ground is assessed for that.

    Empty where the site has none. Writes nothing. Raises :class:`~siteplanner.InputError`.
    """
    if site.decisions.zones is None:
        return ()
    inputs, ground, suitability = assessed(site, planting.READS, step=step)
    return draw_zones(inputs, ground, suitability, site, step=step).notes


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


def steps_of(site: Site, *, sure: bool = False) -> int:
    """Count the steps that ``write_plan`` will tell: one a layer, and one for each other part."""
    layers = len(catalogue_of(site).makers)
    terrains = site.how_sure.terrains if sure else 0
    return layers + terrains + len(writers()) + len(_OTHER_STEPS)


def write_plan(
    site: Site,
    target: str | Path | None = None,
    *,
    sure: bool = False,
    overwrite: bool = False,
    step: Step = nothing_step,
    tell: Step = nothing_step,
) -> Plan:
    """Make the plan of a site and put it in place at ``target`` (``maps/<site>`` by default).

    With ``sure``, the chances of every species are worked out too, which takes longer. A previous
    plan whose ``plan.gpkg`` was edited is an error, unless ``overwrite`` says so. The previous
    plan stays as it was until the new one is complete. ``step`` and ``tell`` are those of
    :func:`make_plan`. Raises :class:`~siteplanner.InputError`.
    """
    check_plugins()
    target = Path(target) if target is not None else Path("maps") / site.slug
    with (
        BackgroundWriter(target) as writer,
        staged(target, overwrite=overwrite) as folder,
        told_when_full(folder, target),
        writer.stopped_by_an_error(),
    ):
        layers = folder / "layers"
        layers.mkdir()

        def each(info: LayerInfo, values: FloatGrid, grid: Grid) -> None:
            writer.call(write_layer, info, values, grid, layers)

        plan = make_plan(site, each=each, step=step, tell=tell)
        if sure:
            chances = how_sure(site, step)
            for info, values in layers_of(chances):
                each(info, values, chances.grid)
            write_how_sure(chances, folder / "how_sure.csv")
        names = list(plan.species["botanical_name"])
        writer.call(
            write_suitability, names, plan.suitability, plan.grid, layers, site.species.index
        )
        write_all(plan, folder, step)
        carry_on(folder / "nursery.ics", target / "nursery.ics")
        step("Finishing the layers")
        writer.finish()
        step("Drawing the GIS project")
        write_project(plan, folder)
        files = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
        write_manifest(plan, folder / "plan.json", files)
        step("Saving the plan")
    return plan
