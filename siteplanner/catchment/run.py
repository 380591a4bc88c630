"""Plans a whole catchment: the sites on a cluster, then what they have in common."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd

from siteplanner.base.errors import Errors
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.base.tables import write_table
from siteplanner.base.text import utf8
from siteplanner.catchment.cluster import cluster, run
from siteplanner.catchment.joint_calendar import by_month, joint_calendar, write_calendar
from siteplanner.catchment.one_site import FAILED, Job, SiteOutcome
from siteplanner.catchment.planned import Planned
from siteplanner.catchment.pool import Shared, orders, pooled, seed_lots, shortages
from siteplanner.catchment.report import Told, write_report
from siteplanner.catchment.settings import Catchment, Found, find_sites
from siteplanner.catchment.stock import read_seed, read_tubes
from siteplanner.catchment.summary import mother_table, site_table, write_summary
from siteplanner.handover.folder.manifest import digest, plain, versions
from siteplanner.handover.folder.publish import staged

#: Folders in a catchment's own: plans of the sites, and what may be passed on.
SITES, SHARED = "sites", "shared"


@dataclass(frozen=True)
class Result:
    """What came of a catchment.

    ``sites`` and ``outcomes`` go together, in the order of the sites' folders; ``orders`` and
    the rest of what is shared is None where no site could be planned.
    """

    folder: Path
    sites: tuple[Found, ...]
    outcomes: tuple[SiteOutcome, ...]
    told: Told | None
    notes: tuple[str, ...] = ()

    @property
    def failed(self) -> list[tuple[Found, SiteOutcome]]:
        """Sites that could not be planned, with what is wrong."""
        pairs = zip(self.sites, self.outcomes, strict=True)
        return [(site, outcome) for site, outcome in pairs if outcome.state == FAILED]


def plan_catchment(
    catchment: Catchment,
    folder: str | Path | None = None,
    *,
    address: str | None = None,
    workers: int | None = None,
    step: Callable[[str], None] = lambda words: None,
) -> Result:
    """Plan every site, then put together and publish what may be shared.

    Each site's plan lands in ``sites/<site>`` of ``folder`` (``maps/<catchment>`` by default) as
    soon as it is made; one that stands there and was made of the same inputs is kept, so that a
    run that was broken off goes on where it was. ``shared`` is replaced whole at the end. All
    workers must see the same files. ``address`` is that of a Dask cluster; without it ``workers``
    processes are started here.

    A site that cannot be planned is told in the result. Raises
    :class:`~siteplanner.InputError` for what is wrong with the catchment file, the shared
    stock or the cluster.
    """
    folder = Path(folder) if folder is not None else Path("maps") / catchment.slug
    errors = Errors()
    sites: tuple[Found, ...] = ()
    shared = Shared(must_first=catchment.sharing.must_first)
    notes: list[str] = []
    with errors.gather():
        sites = find_sites(catchment)
    with errors.gather():
        shared = _shared(catchment, notes)
    errors.raise_any()
    outcomes = _outcomes(catchment, sites, folder, address, workers, step)
    step("Putting the orders together")
    planned = {
        site.slug: outcome.planned
        for site, outcome in zip(sites, outcomes, strict=True)
        if outcome.planned is not None
    }
    if not planned:
        return Result(folder, sites, outcomes, None)
    told = _publish(catchment, sites, outcomes, planned, shared, folder / SHARED)
    return Result(folder, sites, outcomes, told, (*notes, *_notes(planned, shared)))


def _shared(catchment: Catchment, notes: list[str]) -> Shared:
    errors = Errors()
    tubes = seed = None
    if catchment.stock.tubes:
        with errors.gather():
            tubes = read_tubes(catchment.folder / catchment.stock.tubes, notes)
    if catchment.stock.seed:
        with errors.gather():
            seed = read_seed(catchment.folder / catchment.stock.seed, notes)
    errors.raise_any()
    return Shared(tubes, seed, catchment.sharing.must_first)


def _outcomes(
    catchment: Catchment,
    sites: tuple[Found, ...],
    folder: Path,
    address: str | None,
    workers: int | None,
    step: Callable[[str], None],
) -> tuple[SiteOutcome, ...]:
    """Plan the sites whose files can be read on the cluster, telling each as it is done."""
    good = [number for number, site in enumerate(sites) if not site.errors]
    found = {n: SiteOutcome(FAILED, errors=s.errors) for n, s in enumerate(sites) if s.errors}
    jobs = [
        # Workers may stand in another folder.
        Job(sites[n].file.resolve(), (folder / SITES / sites[n].slug).resolve(), catchment.blur_m)
        for n in good
    ]
    if not jobs:
        return tuple(found[n] for n in range(len(sites)))
    step("Starting workers" if address is None else "Looking for the cluster")
    with cluster(address, workers, len(jobs)) as client:
        step(f"Planning {len(jobs)} sites")

        def done(number: int, outcome: SiteOutcome) -> None:
            found[good[number]] = outcome
            step(f"{len(found)} of {len(sites)} sites: {sites[good[number]].name} {outcome.state}")

        run(client, jobs, done)
    return tuple(found[number] for number in range(len(sites)))


def _publish(
    catchment: Catchment,
    sites: tuple[Found, ...],
    outcomes: tuple[SiteOutcome, ...],
    planned: dict[str, Planned],
    shared: Shared,
    target: Path,
) -> Told:
    """Write all that may be passed on, and put it in place whole."""
    mothers = [
        (site.slug, outcome.mothers)
        for site, outcome in zip(sites, outcomes, strict=True)
        if outcome.mothers is not None
    ]
    blurred: gpd.GeoDataFrame | None = None
    if catchment.blur_m is not None:
        blurred = mother_table(mothers, catchment.blur_m)
    by_site = orders(planned, shared)
    by_species = pooled(by_site, shared)
    short = shortages(planned, by_site, by_species)
    told = Told(
        name=catchment.name,
        sites=site_table(planned),
        failed=[
            (site.name, not outcome.ours)
            for site, outcome in zip(sites, outcomes, strict=True)
            if outcome.state == FAILED
        ],
        species=by_species,
        lots=seed_lots(planned),
        short=short,
        months=by_month(planned),
        rule=shared.rule if (shared.tubes, shared.seed_mg) != (None, None) else "",
        privacy=_privacy(catchment),
    )
    with staged(target) as folder:
        write_summary(told.sites, blurred, folder / "catchment.gpkg")
        write_table(folder / "orders_by_site.csv", by_site)
        write_table(folder / "orders.csv", by_species)
        write_table(folder / "seed.csv", told.lots)
        write_table(folder / "shortages.csv", short)
        write_calendar(joint_calendar(planned), catchment.name, folder / "calendar.csv")
        write_report(told, folder / "report.pdf")
        _write_manifest(catchment, planned, told, folder)
    return told


def _privacy(catchment: Catchment) -> str:
    if catchment.blur_m is None:
        said = "The positions of mother trees are left out of every shared file"
    else:
        said = (
            f"Mother trees are shown only as squares of {catchment.blur_m:g} m in catchment.gpkg, "
            "with no exact positions"
        )
    return (
        f"{said}. Names of the places are left out too. Permits and species are as in the "
        "properties' files. The plans of single properties name places where seed is collected, "
        "so they are for the people of that property only."
    )


def _notes(planned: dict[str, Planned], shared: Shared) -> tuple[str, ...]:
    """What should be read of the stock: species that no site plants."""
    known = {name for plan in planned.values() for name in plan.species["species"]}
    stock = {*(shared.tubes or {}), *(shared.seed_mg or {})}
    return tuple(
        f"{name}: it is in the shared stock, but no site plants it"
        for name in sorted(stock - known)
    )


def _write_manifest(
    catchment: Catchment, planned: dict[str, Planned], told: Told, folder: Path
) -> None:
    """Write what was made of what, without clock or place on the disk: same run, same bytes."""
    content = {
        "catchment": catchment.name,
        "versions": versions(),
        "settings": catchment.model_dump(mode="json"),
        "inputs": {
            name: digest(catchment.folder / name)
            for name in (catchment.path.name, catchment.stock.tubes, catchment.stock.seed)
            if name
        },
        "sites": {site: {"plan.json": plan.plan_sha256} for site, plan in planned.items()},
        "not_planned": [name for name, _ in told.failed],
        "files": {
            path.name: {"bytes": path.stat().st_size, "sha256": digest(path)}
            for path in sorted(folder.iterdir())
        },
    }
    text = json.dumps(plain(content), indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False)
    (folder / MANIFEST).write_bytes(utf8(text) + b"\n")
