"""Work on many things side by side, in threads: compiled code lets go of the interpreter."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Given = TypeVar("Given")
Result = TypeVar("Result")


def side_by_side(work: Callable[[Given], Result], things: Iterable[Given]) -> list[Result]:
    """Give what ``work`` makes of each thing, in their order, whichever is ready first.

    ``work`` changes nothing that is shared. What it raises for the first thing that it fails on is
    raised, and what was not begun is left.

    >>> side_by_side(abs, [-2, 1])
    [2, 1]
    """
    every = list(things)
    threads = min(len(every), os.cpu_count() or 1)
    if threads < 2:
        return [work(one) for one in every]
    pool = ThreadPoolExecutor(threads)
    try:
        return list(pool.map(work, every))
    finally:
        pool.shutdown(cancel_futures=True)
