"""Planning as the page sees it: start, steps, stop, and what was wrong."""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
from asyncio.subprocess import DEVNULL, PIPE, Process
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

#: How long a stopped run may take to clear up before it is ended at once.
_PATIENCE_S = 10.0
#: The longest line that is read of the worker.
_LINE = 1 << 20
#: The process that plans.
_WORKER = (sys.executable, "-m", "siteplanner.desk.worker")
_STOPPED = "Stopped. The previous plan has not changed."


@dataclass(frozen=True)
class State:
    """What planning is doing: ``idle``, ``running``, ``done``, ``failed`` or ``stopped``.

    ``number`` grows with each change; ``steps`` are those begun, ``of`` those of the last whole
    run, 0 where there was none; ``sentences`` say what is wrong.
    """

    number: int = 0
    doing: str = "idle"
    step: str = ""
    steps: int = 0
    of: int = 0
    sentences: tuple[str, ...] = ()

    def plain(self) -> dict[str, Any]:
        """Give the state as plain values."""
        return asdict(self)


class Planning:
    """Runs one plan at a time in a process that stays for the next."""

    def __init__(self, command: Sequence[str] = _WORKER) -> None:
        self._command = command
        self.state = State()
        self._changed = asyncio.Event()
        self._worker: Process | None = None
        self._run: asyncio.Task[None] | None = None
        self._steps_of_last = 0
        self._stopping = False

    @property
    def running(self) -> bool:
        """Whether a plan is being made."""
        return self.state.doing == "running"

    async def after(self, number: int, wait_s: float = 20.0) -> State:
        """Give the state once it is a later one than ``number``, or after a while as it is."""
        if self.state.number == number:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait(), wait_s)
        return self.state

    async def warm(self) -> Process:
        """Start the process that plans, where none is there."""
        if self._worker is None or self._worker.returncode is not None:
            self._worker = await asyncio.create_subprocess_exec(
                *self._command, stdin=PIPE, stdout=PIPE, stderr=DEVNULL, limit=_LINE,
            )  # fmt: skip
        return self._worker

    def start(self, site: Path, out: Path, only: Sequence[str] = ()) -> bool:
        """Begin to plan; False where a plan is being made already."""
        if self.running:
            return False
        self._stopping = False
        self._tell(doing="running", step="Starting", steps=0, of=self._steps_of_last, sentences=())
        job = {"site": str(site), "out": str(out), "only": list(only)}
        self._run = asyncio.create_task(self._planned(job))
        return True

    async def stop(self) -> None:
        """End the run; the previous plan stays. Without a run nothing happens."""
        if not self.running:
            return
        self._stopping = True
        await self._end_worker()
        if self._run is not None:
            await self._run

    async def close(self) -> None:
        """End whatever runs."""
        await self.stop()
        await self._end_worker()

    async def _end_worker(self) -> None:
        worker = self._worker
        if worker is None or worker.returncode is not None:
            return
        with contextlib.suppress(ProcessLookupError):
            worker.terminate()
        try:
            await asyncio.wait_for(worker.wait(), _PATIENCE_S)
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                worker.kill()
            await worker.wait()

    async def _planned(self, job: dict[str, Any]) -> None:
        worker = await self.warm()
        assert worker.stdin is not None and worker.stdout is not None
        with contextlib.suppress(ConnectionError):
            if self._stopping:
                await self._end_worker()
            worker.stdin.write((json.dumps(job) + "\n").encode())
            await worker.stdin.drain()
        while line := await worker.stdout.readline():
            said = json.loads(line)
            if "step" in said:
                self._tell(step=said["step"], steps=self.state.steps + 1)
            elif "done" in said:
                self._steps_of_last = self.state.steps
                self._tell(doing="done", step="", of=self.state.steps)
                return
            else:
                self._tell(doing="failed", step="", sentences=tuple(said["sentences"]))
                return
        code = await worker.wait()  # one that is still dying must not be given the next job
        if self._stopping:
            self._tell(doing="stopped", step="", sentences=(_STOPPED,))
            return
        ended = f"Planning ended without a word (code {code}). The previous plan has not changed."
        self._tell(
            doing="failed", step="", sentences=(f"{ended} Is there memory and disk enough?",)
        )

    def _tell(self, **change: Any) -> None:
        self.state = replace(self.state, number=self.state.number + 1, **change)
        self._changed.set()
        self._changed = asyncio.Event()
