"""Plans one site of a catchment, once, on whichever worker it falls to."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from siteplanner import __version__
from siteplanner.base.errors import ErrorDetail, InputError
from siteplanner.base.plan_folder import MANIFEST
from siteplanner.catchment.mother_trees import blurred
from siteplanner.catchment.planned import Planned, read_planned
from siteplanner.handover.folder.manifest import digest, plain, versions
from siteplanner.handover.folder.publish import BeingWrittenError, recover
from siteplanner.reading.inputs import hashes
from siteplanner.run import write_plan
from siteplanner.site.site_file import Site, load_site

PLANNED, UP_TO_DATE, FAILED = "planned", "up to date", "failed"
#: So long a worker waits for another one that is writing the same plan, s.
_PATIENCE_S = 900.0


@dataclass(frozen=True)
class Job:
    """A site to plan: its file, the folder of its plan, how far to blur its mother trees.

    ``version`` is that of the siteplanner that asks, which the worker must have too.
    """

    file: Path
    folder: Path
    blur_m: float | None = None
    version: str = __version__


@dataclass(frozen=True)
class SiteOutcome:
    """What came of a job: ``state`` is planned, up to date or failed.

    ``errors`` says why it failed; ``ours`` that it was not the input's fault.
    """

    state: str
    planned: Planned | None = None
    mothers: pd.DataFrame | None = None
    errors: tuple[ErrorDetail, ...] = ()
    ours: bool = False


def plan_one(job: Job) -> SiteOutcome:
    """Plan a site and publish its plan, unless the plan that stands there is the same.

    It may be called again, or twice at a time: the plan is published once, whole. Raises nothing
    that is an error, so that one site cannot stop the others.
    """
    if job.version != __version__:
        what = f"a worker has siteplanner {__version__}, but {job.version} is needed"
        remedy = "install the same version on every worker"
        return SiteOutcome(
            FAILED, errors=(ErrorDetail(str(job.file), "", what, remedy),), ours=True
        )
    try:
        site = load_site(job.file)
        state = _publish(site, job.folder)
        mothers = None if job.blur_m is None else blurred(site, job.blur_m)
        return SiteOutcome(state, read_planned(job.folder), mothers)
    except InputError as error:
        return SiteOutcome(FAILED, errors=error.errors)
    except Exception as error:
        what = f"siteplanner failed ({type(error).__name__}: {error})"
        remedy = "please report this and attach the site file"
        return SiteOutcome(
            FAILED, errors=(ErrorDetail(str(job.file), "", what, remedy),), ours=True
        )


def _publish(site: Site, folder: Path) -> str:
    """Make the plan unless it stands there already; wait while somebody else writes it."""
    give_up = time.monotonic() + _PATIENCE_S
    while True:
        recover(folder)
        if up_to_date(site, folder):
            return UP_TO_DATE
        try:
            write_plan(site, folder)
            return PLANNED
        except BeingWrittenError:
            if time.monotonic() > give_up:
                raise
            time.sleep(0.5)


def up_to_date(site: Site, folder: Path) -> bool:
    """Whether the plan in a folder is whole and was made of the same inputs, in the same way."""
    try:
        manifest = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
        # As the manifest would say it: through JSON, where a tuple is a list.
        settings = json.loads(json.dumps(plain(site.settings())))
        return (
            manifest["versions"] == versions()
            and manifest["settings"] == settings
            and manifest["inputs"] == hashes(site)
            and all(
                digest(folder / file) == said["sha256"] for file, said in manifest["files"].items()
            )
        )
    except (OSError, ValueError, KeyError, TypeError, InputError):
        return False  # what is wrong with an input is said when the plan is made
