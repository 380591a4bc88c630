"""Runs jobs on Dask distributed: a cluster that is there, or one of our own on this machine."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from siteplanner.base.errors import ErrorDetail, input_error
from siteplanner.catchment.one_site import FAILED, Job, SiteOutcome, plan_one

if TYPE_CHECKING:
    from distributed import Client

#: What planning a property of about a hundred hectares takes, GB; set by what was measured.
GB_A_WORKER = 1.5
_CONNECT_S, _WORKER_S = 20, 120


@contextmanager
def cluster(address: str | None, workers: int | None, jobs: int) -> Iterator[Client]:
    """Give a client of the cluster at ``address``, or of one of our own, closed afterwards.

    Our own has ``workers`` processes of one thread each, by default as many as cores and memory
    bear and there are ``jobs``. Raises :class:`~siteplanner.InputError` where the
    cluster does not answer or has no worker.
    """
    from distributed import Client, LocalCluster

    if address is not None:
        remedy = "check the address, such as tcp://host:8786, and that workers are running"
        try:
            client = Client(address, timeout=_CONNECT_S)
        except (OSError, ValueError) as error:
            what = f"the Dask cluster does not answer ({type(error).__name__})"
            raise input_error(address, "", what, remedy) from None
        with client:
            try:
                client.wait_for_workers(1, timeout=_WORKER_S)
            except TimeoutError:
                what = f"the cluster has had no worker for {_WORKER_S} s"
                raise input_error(address, "", what, remedy) from None
            yield client
        return
    number = workers or fitting(jobs)
    # Workers that die and are started again are the scheduler's business, not the reader's.
    with (
        LocalCluster(
            n_workers=number,
            threads_per_worker=1,
            processes=True,
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.CRITICAL,
            env={"NUMBA_NUM_THREADS": str(max(1, cores() // number))},
        ) as local,
        Client(local) as client,
    ):
        yield client


def run(
    client: Client, jobs: Sequence[Job], done: Callable[[int, SiteOutcome], None]
) -> list[SiteOutcome]:
    """Run the jobs, telling ``done`` each one's number and outcome as it comes in.

    A job whose worker dies is done again by another; one that has cost several workers their
    lives is given up as failed. The outcomes are in the order of the jobs.
    """
    from distributed import as_completed

    # Impure: what a cluster remembers of an earlier run is never taken for an answer.
    futures = [client.submit(plan_one, job, pure=False) for job in jobs]
    numbers = {future.key: number for number, future in enumerate(futures)}
    outcomes: list[SiteOutcome | None] = [None] * len(jobs)
    for future in as_completed(futures):
        number = numbers[future.key]
        error = future.exception() if future.status != "finished" else None
        outcome = future.result() if error is None else _lost(jobs[number], error)
        outcomes[number] = outcome
        done(number, outcome)
        future.release()
    return [outcome for outcome in outcomes if outcome is not None]


def _lost(job: Job, error: BaseException) -> SiteOutcome:
    """Say that the cluster gave a job up."""
    from distributed import KilledWorker

    what = f"the cluster failed to plan it ({type(error).__name__}: {error})"
    remedy = "run again; sites that are done are not planned again"
    if isinstance(error, KilledWorker):
        what = "every worker that planned it was killed, most likely because memory ran out"
        remedy = f"give workers more memory (about {GB_A_WORKER:g} GB each), then run again"
    return SiteOutcome(FAILED, errors=(ErrorDetail(str(job.file), "", what, remedy),), ours=True)


def fitting(jobs: int) -> int:
    """Count the workers that this machine bears: its cores, its memory, and no more than jobs."""
    from distributed.system import MEMORY_LIMIT

    return max(1, min(jobs, cores(), int(MEMORY_LIMIT / (GB_A_WORKER * 1e9))))


def cores() -> int:
    """Count the cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
