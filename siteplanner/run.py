"""The whole way on one page: read, assess, score, lay out, season, plan, hand over."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from siteplanner.after.how_sure import how_sure, layers_of, write_how_sure
from siteplanner.base.grid import FloatGrid, Grid
from siteplanner.base.layer_info import LayerInfo
from siteplanner.base.results.memory import Call, afresh
from siteplanner.checking import check_plugins
from siteplanner.forecast import foretell
from siteplanner.ground.assess import Each, Step, nothing_each, nothing_step
from siteplanner.handover.folder.background import BackgroundWriter
from siteplanner.handover.folder.full_disk import told_when_full
from siteplanner.handover.folder.manifest import write_manifest
from siteplanner.handover.folder.publish import staged
from siteplanner.handover.gis.project import write_project
from siteplanner.handover.gis.rasters import write_layer, write_suitability
from siteplanner.handover.tables.calendar import carry_on
from siteplanner.handover.write import write_all
from siteplanner.plan import READS, Plan, plan_of
from siteplanner.planting import lay_out as planting
from siteplanner.planting.lay_out import Placed, lay_out, nothing_placed
from siteplanner.season import season as seasons
from siteplanner.season.season import season_of
from siteplanner.site.site_file import Site
from siteplanner.suitability.of_site import assessed


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
    placed: Placed = nothing_placed,
) -> Plan:
    """Make a plan as :func:`make_plan` does, what is dear through ``call``.

    A :class:`~siteplanner.base.results.memory.Memory` keeps it for the next plan, which is the
    same with it and without; ``each`` and ``step`` hear of what is worked out, ``placed`` of trees.
    """
    reads = {*planting.READS, *seasons.READS, *READS}
    inputs, ground, suitability = assessed(
        site, reads, each=each, step=step, have_read=partial(foretell, site, tell), call=call
    )
    layout = lay_out(inputs, ground, suitability, site, step=step, call=call, placed=placed)
    season = season_of(inputs, ground, suitability, layout, site, step=step, call=call)
    return plan_of(site, inputs, ground, suitability, layout, season, call)


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
