"""Runs a piece of work on every tile through Dask, and writes what it makes in their order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from dask.base import compute
from dask.callbacks import Callback
from dask.delayed import delayed
from numpy.typing import NDArray

from siteplanner.tiled.rasters import Target
from siteplanner.tiled.tiles import Box

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

        ``work`` gives the values to write to ``targets`` and what is told of the box. Each file
        is written box by box in their order, by one writer at a time: it comes out the same
        whatever the number of workers. A box is begun only when few before it are unfinished,
        or those that wait to be written would fill the memory.
        """
        if not boxes:
            return []
        targets = targets or {}
        written: dict[str, Any] = dict.fromkeys(targets)
        jobs: list[Any] = []
        for place, box in enumerate(boxes):
            before = jobs[place - self.count - 1] if place > self.count else None
            made = delayed(partial(_work, work, box), pure=False)(before)
            for name, target in targets.items():
                write = partial(_write, target, name, box)
                written[name] = delayed(write, pure=False)(made, written[name])
            jobs.append(delayed(_told, pure=False)(made, *written.values()))
        with _Progress(what, len(jobs), self.step):
            found = compute(*jobs, scheduler="threads", num_workers=self.count)
        return list(found)


def _work(work: Callable[[Box], tuple[Made, Any]], box: Box, before: Any) -> tuple[Made, Any]:
    return work(box)


def _write(target: Target, name: str, box: Box, made: tuple[Made, Any], before: None) -> None:
    target.write(box, made[0][name])


def _told(made: tuple[Made, Any], *written: None) -> Any:
    return made[1]


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
