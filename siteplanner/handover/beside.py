"""Writes layers in a process of its own, beside the planning.

The raster library holds Python's lock while it compresses, so threads would wait for each
other; a second process uses the second core. It is fed through a pipe and needs nothing of the
caller's main module. When the caller is killed it stops too, and clears up what the caller left.
"""

from __future__ import annotations

import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

import siteplanner
from siteplanner.errors import fault
from siteplanner.handover.publish import recover


class Beside:
    """A process that calls functions one after the other; use it in a ``with`` block.

    ``call`` returns at once. ``finish`` waits until all calls are done. Either raises
    ``RuntimeError`` with what the process said if a call failed, and
    :class:`~siteplanner.errors.InputError` if somebody stopped the process. When the block is
    left early the process is stopped, so that nothing writes any more. Should the caller be
    killed, the process puts ``target``, the plan's folder, in order and ends.
    """

    def __init__(self, target: Path) -> None:
        self._target = target

    def __enter__(self) -> Beside:
        """Start the process."""
        home = str(Path(siteplanner.__file__).parents[1])
        path = os.pathsep.join(filter(None, [home, os.environ.get("PYTHONPATH")]))
        self._process = subprocess.Popen(
            [sys.executable, "-m", __spec__.name, str(self._target.absolute()), str(os.getpid())],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": path},
        )
        self._waiting: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._feeder = threading.Thread(target=self._feed, daemon=True)
        self._feeder.start()
        return self

    def call(self, function: Callable[..., Any], *arguments: Any) -> None:
        """Have a function of a module called in the other process."""
        if self._process.poll() is not None:
            self.finish()
        self._waiting.put((function, arguments))

    def finish(self) -> None:
        """Wait for all calls."""
        self._waiting.put(None)
        self._feeder.join()
        assert self._process.stderr is not None
        said = self._process.stderr.read().decode("utf-8", "replace").strip()
        code = self._process.wait()
        if code < 0:
            raise fault(
                self._target,
                "layers",
                f"the process that writes them was stopped from outside (signal {-code})",
                "where memory ran short, close other programs or plan on wider cells ([dem] "
                "cell_m), then run again; the previous plan is as it was",
            )
        if code != 0:
            raise RuntimeError(said.splitlines()[-1] if said else "a layer could not be written")

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop the process if it still runs."""
        if self._process.poll() is None:
            self._process.kill()
        self._waiting.put(None)
        self._feeder.join()
        self._process.wait()
        if self._process.stderr is not None:
            self._process.stderr.close()

    def _feed(self) -> None:
        assert self._process.stdin is not None
        try:
            with self._process.stdin as pipe:
                while (job := self._waiting.get()) is not None:
                    pickle.dump(job, pipe, protocol=5)
                    pipe.flush()
                pickle.dump(None, pipe)
        except OSError:
            # The process has ended early: finish tells why.
            pass


def main(target: Path, caller: int) -> None:
    """Call what comes through the pipe, until there is no more or the caller is dead."""
    alone = False
    try:
        # Of a dead caller's jobs, those that still stand in the pipe are left undone.
        while (job := pickle.load(sys.stdin.buffer)) is not None and os.getppid() == caller:
            function, arguments = job
            function(*arguments)
    except (EOFError, pickle.UnpicklingError):
        alone = True
        raise SystemExit("the work broke off half-way") from None
    finally:
        if alone or os.getppid() != caller:
            recover(target)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
