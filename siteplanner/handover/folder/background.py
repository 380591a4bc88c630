"""Writes layers in a process of its own, beside the planning.

The raster library holds Python's lock while it compresses, so threads would wait for each
other; a second process uses the second core. It is fed through a pipe and needs nothing of the
caller's main module. When the caller is killed it stops too, and clears up what the caller left.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import siteplanner
from siteplanner.base.errors import input_error
from siteplanner.handover.folder.publish import recover

#: The job after which the process answers that all before it are done.
_ALL_DONE = (None, ())


class BackgroundWriter:
    """A process that calls functions one after the other; use it in a ``with`` block.

    ``call`` returns at once. ``finish`` waits until all calls are done. Either raises
    ``RuntimeError`` with what the process said if a call failed, and
    :class:`~siteplanner.InputError` if somebody stopped the process. It lives until the
    block is left: should the caller be killed before, it puts ``target``, the plan's folder, in
    order and ends.
    """

    def __init__(self, target: Path) -> None:
        self._target = target

    def __enter__(self) -> BackgroundWriter:
        """Start the process."""
        home = str(Path(siteplanner.__file__).parents[1])
        path = os.pathsep.join(filter(None, [home, os.environ.get("PYTHONPATH")]))
        self._process = subprocess.Popen(
            [sys.executable, "-m", __spec__.name, str(self._target.absolute()), str(os.getpid())],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
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
        self._waiting.put(_ALL_DONE)
        assert self._process.stdout is not None and self._process.stderr is not None
        if self._process.stdout.read(1):
            return
        said = self._process.stderr.read().decode("utf-8", "replace").strip()
        code = self._process.wait()
        if code < 0:
            raise input_error(
                self._target,
                "layers",
                f"the process that writes them was stopped by the system (signal {-code})",
                "if memory ran out, close other programs or plan with larger cells ([dem] "
                "cell_m), then run again; the previous plan has not changed",
            )
        raise RuntimeError(said.splitlines()[-1] if said else "a layer could not be written")

    @contextlib.contextmanager
    def stopped_by_an_error(self) -> Iterator[None]:
        """Stop the process when this block is left early, so that nothing writes any more."""
        try:
            yield
        except BaseException:
            self._stop()
            raise

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop the process."""
        self._stop()

    def _stop(self) -> None:
        self._process.kill()
        self._process.wait()
        self._waiting.put(None)
        self._feeder.join()
        for pipe in (self._process.stdout, self._process.stderr):
            assert pipe is not None
            pipe.close()

    def _feed(self) -> None:
        assert self._process.stdin is not None
        try:
            with self._process.stdin as pipe:
                while (job := self._waiting.get()) is not None:
                    pickle.dump(job, pipe, protocol=5)
                    pipe.flush()
        except OSError:
            # The process has ended early: finish tells why.
            pass


def main(target: Path, caller: int) -> None:
    """Call what comes through the pipe; when that breaks off, the caller was killed."""
    answers = os.dup(1)
    os.dup2(2, 1)  # what a function prints is no answer
    alone = False
    try:
        while not alone:
            function, arguments = pickle.load(sys.stdin.buffer)
            # Of a dead caller's jobs, those that still stand in the pipe are left undone.
            alone = os.getppid() != caller
            if function is None:
                os.write(answers, b"\n")
            elif not alone:
                function(*arguments)
    except (EOFError, pickle.UnpicklingError):
        alone = True
    finally:
        if alone or os.getppid() != caller:
            # The pipe may break off a moment before the dying caller lets go of its lock, and of
            # its threads the last may do so a moment after it has lost its children.
            patience = time.monotonic() + 2
            while os.getppid() == caller and time.monotonic() < patience:
                time.sleep(0.01)
            recover(target, patience_s=2)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
