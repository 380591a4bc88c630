"""Runs a piece of work on every tile through Dask, and writes what it makes in their order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import dask
from dask.callbacks import Callback
from numpy.typing import NDArray

from siteplanner.catchment.rasters import Target
from siteplanner.catchment.tiles import Box

Told = TypeVar("Told")
#: Is told what is being done, and how many of how many tiles are.
Step = Callable[[str, int, int], None]
#: Values of a box for each raster to be written, by name.
Made = Mapping[str, NDArray[Any]]


@dataclass(frozen=True)
class Workers:
    """How many tiles are worked on at a time, and who is told of progress."""

    count: int = 2
    step: Step = lambda what, done, tiles: None

    def over(
        self,
        what: str,
        boxes: Sequence[Box],
        work: Callable[[Box], tuple[Made, Told]],
        targets: Mapping[str, Target] | None = None,
    ) -> list[Told]:
        """Work on all boxes and give what each tells, in their order.

        ``work`` gives the values to write to ``targets`` and what is told of the box. Each box
        is written when the ones before it are, by one writer at a time: files come out the
        same whatever the number of workers, and few boxes are held in memory at once.
        """
        if not boxes:
            return []
        jobs, written, write = [], None, partial(_write, dict(targets or {}))
        for box in boxes:
            made = dask.delayed(work, pure=False, traverse=False)(box)
            written = dask.delayed(write, pure=False, traverse=False)(box, made, written)
            jobs.append(dask.delayed(_told, pure=False)(written))
        with _Progress(what, len(jobs), self.step):
            found = dask.compute(*jobs, scheduler="threads", num_workers=self.count)
        return list(found)


def _write(targets: Mapping[str, Target], box: Box, made: tuple[Made, Any], before: Any) -> Any:
    values, told = made
    for name, target in targets.items():
        target.write(box, values[name])
    return told


def _told(told: Any) -> Any:
    return told


class _Progress(Callback):
    """Tells how many tiles are done."""

    def __init__(self, what: str, tiles: int, step: Step) -> None:
        super().__init__(posttask=self._after)
        self.what, self.tiles, self.step = what, tiles, step
        self.done = 0
        step(what, 0, tiles)

    def _after(self, key: Any, *_: Any) -> None:
        if str(key).startswith("_told"):
            self.done += 1
            self.step(self.what, self.done, self.tiles)
