"""Work on many things side by side, in threads: compiled code lets go of the interpreter."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Given = TypeVar("Given")
Result = TypeVar("Result")


def side_by_side(
    work: Callable[[Given], Result], things: Iterable[Given], sizes: Sequence[int] = ()
) -> list[Result]:
    """Give what ``work`` makes of each thing, in their order, whichever is ready first.

    Where ``sizes`` are given the largest is begun first, so that none is left for one thread at the
    end. ``work`` changes nothing that is shared, and asks nothing of shapes that are prepared: what
    these keep is made at the first question. What it raises is raised, and what was not begun is
    left.

    >>> side_by_side(abs, [-2, 1], sizes=[1, 5])
    [2, 1]
    """
    every = list(things)
    threads = min(len(every), os.cpu_count() or 1)
    if threads < 2:
        return [work(one) for one in every]
    order = sorted(range(len(every)), key=lambda n: -sizes[n]) if sizes else range(len(every))
    pool = ThreadPoolExecutor(threads)
    try:
        begun = {n: pool.submit(work, every[n]) for n in order}
        return [begun[n].result() for n in range(len(every))]
    finally:
        pool.shutdown(cancel_futures=True)
