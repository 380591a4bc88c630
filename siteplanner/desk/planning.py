"""Planning as the page sees it: start, steps, stop, and what was wrong.

First come the trees, then the map, then sheets and files behind it. Trees and map are made in a
process that remembers what it worked out; the whole plan in another, which a newer plan ends. Until
the whole plan has taken the place of the one before, they lie in a folder of the desk's own.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

#: How long a stopped run may take to clear up before it is ended at once.
_PATIENCE_S = 10.0
#: The longest line that is read of the worker.
_LINE = 1 << 20
#: The process that plans.
_WORKER = (sys.executable, "-m", "siteplanner.desk.worker")
#: What tells that process to let all others go first: sheets and files wait, a person does not.
BEHIND_ALL = "behind"
#: Why a part of a plan cannot be planned again yet.
BEHIND = (
    "The sheets and files of this plan are still being made, and a part of it is planned again "
    "from them. Wait until they are ready."
)
_UNCHANGED = "The previous plan has not changed."
_STOPPED = f"Stopped. {_UNCHANGED}"


@dataclass(frozen=True)
class State:
    """What planning is doing: ``idle``, ``running``, ``behind``, ``done``, ``failed``, ``stopped``.

    ``behind`` is when the map is there, and sheets and files are being made. ``number`` grows with
    each change; ``steps`` are those begun, ``of`` those of the last whole run, 0 where there was
    none; ``trees`` is the digest of those that are ahead of the plan, "" where none are;
    ``sentences`` say what is wrong.
    """

    number: int = 0
    doing: str = "idle"
    step: str = ""
    steps: int = 0
    of: int = 0
    trees: str = ""
    sentences: tuple[str, ...] = ()

    def plain(self) -> dict[str, Any]:
        """Give the state as plain values."""
        return asdict(self)


class _Worker:
    """A process that does one job after the other."""

    def __init__(self, command: Sequence[str]) -> None:
        self._command = command
        self._process: Process | None = None

    async def ready(self) -> Process:
        """Start the process, where none is there."""
        if self._process is None or self._process.returncode is not None:
            self._process = await asyncio.create_subprocess_exec(
                *self._command, stdin=PIPE, stdout=PIPE, stderr=DEVNULL, limit=_LINE,
            )  # fmt: skip
        return self._process

    async def end(self) -> None:
        """End the process, once it has cleared up."""
        worker = self._process
        if worker is None or worker.returncode is not None:
            return
        with contextlib.suppress(ProcessLookupError):
            worker.terminate()
        # One that had just begun to wait for a job would not look up before there is something.
        assert worker.stdin is not None
        worker.stdin.close()
        try:
            await asyncio.wait_for(worker.wait(), _PATIENCE_S)
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                worker.kill()
            await worker.wait()

    async def answers(self, job: dict[str, Any]) -> AsyncIterator[dict[str, Any]]:
        """Give what it says of a job; ``ended`` is the code of a process that said no end."""
        process = await self.ready()
        assert process.stdin is not None and process.stdout is not None
        with contextlib.suppress(ConnectionError):
            process.stdin.write((json.dumps(job) + "\n").encode())
            await process.stdin.drain()
        while line := await process.stdout.readline():
            said = json.loads(line)
            yield said
            if "step" not in said and "trees" not in said:
                return
        # One that is still dying must not be given the next job.
        yield {"ended": await process.wait()}


class Planning:
    """Makes one plan at a time, in processes that stay for the next."""

    def __init__(self, command: Sequence[str] = _WORKER) -> None:
        self.state = State()
        self._changed = asyncio.Event()
        self._of_map, self._of_files = _Worker(command), _Worker((*command, BEHIND_ALL))
        self._run: asyncio.Task[None] | None = None
        self._steps_of_last = 0
        self._stopping = False
        self._folder: TemporaryDirectory[str] | None = None
        self._ahead: dict[str, Any] | None = None

    @property
    def running(self) -> bool:
        """Whether a map is being made, so that no other can be asked for."""
        return self.state.doing == "running"

    def ahead(self, name: str) -> Path | None:
        """Path of the map whose sheets and files are still being made; None for any other file."""
        return self._path(name) if self._ahead is not None and name == "map.html" else None

    @property
    def trees(self) -> Path | None:
        """Path of the trees that are ahead of the plan in its folder; None where none are."""
        return self._path("trees.json") if self.state.trees else None

    def shown(self, plan: dict[str, Any] | None) -> dict[str, Any] | None:
        """What the page shows of the ``plan`` in its folder, with the map that is ahead of it."""
        if self._ahead is None:
            return plan
        return {"files": [], **(plan or {}), **self._ahead}

    async def after(self, number: int, wait_s: float = 20.0) -> State:
        """Give the state once it is a later one than ``number``, or after a while as it is."""
        if self.state.number == number:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait(), wait_s)
        return self.state

    async def warm(self) -> None:
        """Start the process that makes the map, where none is there."""
        await self._of_map.ready()

    def start(
        self,
        site: Path,
        out: Path,
        only: Sequence[str] = (),
        first: Callable[[], object] = lambda: None,
    ) -> bool:
        """Begin to plan; False where a map is being made already.

        Sheets and files that are being made of the plan before are given up; then ``first`` is
        called, in a thread.
        """
        if self.running:
            return False
        self._stopping = False
        self._tell(doing="running", step="Starting", steps=0, of=self._steps_of_last, sentences=())
        job = {"site": str(site), "out": str(out), "only": list(only)}
        self._run = asyncio.create_task(self._planned(job, first, self._run))
        return True

    async def stop(self) -> None:
        """End the run; the previous plan stays. Without a run nothing happens."""
        if self._run is None or self._run.done():
            return
        self._stopping = True
        await (self._of_map if self.running else self._of_files).end()
        await self._run

    async def close(self) -> None:
        """End whatever runs."""
        await self.stop()
        await self._of_map.end()
        await self._of_files.end()
        if self._folder is not None:
            self._folder.cleanup()

    async def _planned(
        self,
        job: dict[str, Any],
        first: Callable[[], object],
        before: asyncio.Task[None] | None,
    ) -> None:
        way = asyncio.create_task(self._made_way(first, before))
        ahead = {"map": str(self._path("map.html")), "trees": str(self._path("trees.json"))}
        said = await self._followed(self._of_map, {**job, **ahead})
        if "map" in said and not self._given_up:
            self._ahead = _of_plan(said["map"])
            self._tell(doing="behind", step="")  # whatever the files of the run before do yet
        if in_the_way := await way:
            said = {"sentences": in_the_way}
        elif "map" in said and not self._given_up:
            said = await self._followed(self._of_files, job)
        if self._run is not asyncio.current_task():
            return  # a newer plan says what is done now
        self._ahead = None
        if "done" in said:
            self._steps_of_last = self.state.steps
            self._tell(doing="done", step="", of=self.state.steps)
        elif self._stopping:
            self._tell(doing="stopped", step="", trees="", sentences=(_STOPPED,))
        else:
            self._tell(doing="failed", step="", trees="", sentences=tuple(said["sentences"]))

    async def _made_way(
        self, first: Callable[[], object], before: asyncio.Task[None] | None
    ) -> list[str]:
        """Give up the files of the run before, then call ``first``: what is wrong, in sentences."""
        if before is not None and not before.done():
            await self._of_files.end()
            await asyncio.wait([before])
        try:
            await asyncio.to_thread(first)
        except OSError as error:
            return [f"{error.filename} cannot be used ({error.strerror}). {_UNCHANGED}"]
        return []

    @property
    def _given_up(self) -> bool:
        """Whether the run that asks was stopped, or a newer one has begun."""
        return self._stopping or self._run is not asyncio.current_task()

    async def _followed(self, worker: _Worker, job: dict[str, Any]) -> dict[str, Any]:
        """Tell of a job's steps; give its end, or why there is none, in sentences."""
        await worker.ready()
        if self._given_up:
            await worker.end()
            return {}
        said: dict[str, Any] = {}
        async for said in worker.answers(job):
            if "step" in said and not self._given_up:
                self._tell(step=said["step"], steps=self.state.steps + 1)
            if "trees" in said and not self._given_up:
                self._tell(trees=said["trees"][:16])
                # It loads what it needs while the map is being made, but not before the trees.
                await self._of_files.ready()
        if "ended" in said:
            ended = f"Planning ended without a word (code {said['ended']})."
            return {"sentences": [f"{ended} {_UNCHANGED} Is there memory and disk enough?"]}
        return said

    def _path(self, name: str) -> Path:
        if self._folder is None:
            # Where a page still reads the map, some systems do not let it go: it stays then.
            self._folder = TemporaryDirectory(prefix="siteplanner-", ignore_cleanup_errors=True)
        return Path(self._folder.name) / name

    def _tell(self, **change: Any) -> None:
        self.state = replace(self.state, number=self.state.number + 1, **change)
        self._changed.set()
        self._changed = asyncio.Event()


def _of_plan(said: dict[str, Any]) -> dict[str, Any]:
    """What the page shows of a map that is ahead of its plan."""
    return {
        **{name: said[name] for name in ("trees", "area_ha", "warnings", "cautions")},
        "map": True,
        "stamp": said["stamp"][:16],
        "behind": True,
    }
