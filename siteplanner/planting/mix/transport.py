"""Transport: the best choice of a column for each row, each column chosen a given number of times.

The numbers are held by prices: every row chooses the column worth most to it after the price,
and the prices are such that hardly a column is chosen too often. Such a choice is the best
there is for its numbers (duality of the transport problem). What the prices leave uneven is
moved along the dearest chains, which keeps it the best (successive shortest paths). Both are
textbook methods.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from siteplanner.base.kernels import kernel

#: Prices are found on a sample of about so many rows first.
_SAMPLE = 20_000
#: How many of the best moves between two columns are listed at a time.
_LISTED = 16
#: Less than any chain gains: there is no such move.
_NOTHING = -(2**40)
#: Less than any column is worth.
_LEAST = -(2**30)


def assign(value: NDArray[np.int32], number: NDArray[np.int64]) -> NDArray[np.int64]:
    """Choose a column for each row of ``value`` so that column c is chosen ``number[c]`` times.

    The sum of the chosen values is the greatest possible. ``number`` must add up to the rows.
    """
    if int(number.sum()) != len(value):
        raise ValueError("the numbers must add up to the places")
    if not len(value):
        return np.empty(0, dtype=np.int64)
    every = max(1, len(value) // _SAMPLE)
    price = np.zeros(value.shape[1], dtype=np.int32)
    price = _bid(value[::every], number / len(value), price, sweeps=12)
    if every > 1:
        price = _bid(value, number / len(value), price, sweeps=3)
    choice = (value - price).argmax(axis=1)
    _settle(np.ascontiguousarray(value), choice, number)
    return choice


def _bid(
    value: NDArray[np.int32], share: NDArray[np.float64], price: NDArray[np.int32], sweeps: int
) -> NDArray[np.int32]:
    """Set each column's price in turn to where it gets its share of the rows, others as they are.

    Each step lowers the dual of the transport problem; the last prices need not be its minimum.
    """
    rows, columns = value.shape
    target = np.rint(share * rows).astype(np.int64)
    best, least = price.copy(), rows + 1
    price = price.copy()
    # What each column is worth to each row after its price.
    worth = np.ascontiguousarray(value.T) - price[:, None]
    for _ in range(sweeps):
        excess = np.bincount(worth.argmax(axis=0), minlength=columns) - target
        wrong = int(np.maximum(excess, 0).sum())
        if wrong < least:
            best, least = price.copy(), wrong
        if wrong <= rows // 500:
            break
        for column in range(columns):
            place = rows - max(int(target[column]), 1)
            # What each row would pay for the column before it chose another.
            own = worth[column] + price[column]
            worth[column] = _LEAST
            margin = own - worth.max(axis=0)
            margin.partition(place)
            price[column] = margin[place]
            worth[column] = own - price[column]
    return best


def _settle(value: NDArray[np.int32], choice: NDArray[np.int64], number: NDArray[np.int64]) -> None:
    """Move rows along the dearest chains of columns until each has its number; in place."""
    rows, columns = value.shape
    excess = np.bincount(choice, minlength=columns) - number
    gain = np.empty((columns, columns, _LISTED), dtype=np.int64)
    mover, head = np.empty_like(gain), np.full((columns, columns), _LISTED)
    fresh = np.empty(max(rows, columns), dtype=np.int64)
    reach, before = np.empty((2, columns), dtype=np.int64)
    while excess.any():
        # Where a list is used up, all lists of moves from that column are drawn up anew.
        used = (head == _LISTED).any(axis=1)
        gain[used], mover[used], head[used] = _NOTHING, -1, 0
        standing = np.flatnonzero(used[choice])
        fresh[: len(standing)] = standing
        _even_out(value, choice, excess, gain, mover, head, fresh, len(standing), reach, before)


@kernel(
    "void(int32[:, ::1], int64[::1], int64[::1], int64[:, :, ::1], int64[:, :, ::1],"
    "int64[:, ::1], int64[::1], int64, int64[::1], int64[::1])"
)
def _even_out(  # type: ignore[no-untyped-def]
    value, choice, excess, gain, mover, head, fresh, waiting, reach, before
):
    """Move rows along the dearest chains until a list is used up or no column has too many.

    ``gain`` and ``mover`` (from, to, listed) are the best moves between two columns, best first,
    ``head`` (from, to) which of them is the next. ``fresh`` holds the rows that wait to be
    listed, ``reach`` and ``before`` are room for the search. In place.
    """
    columns, last = len(excess), gain.shape[2] - 1
    while True:
        for w in range(waiting):
            row = fresh[w]
            a = choice[row]
            for b in range(columns):
                d = value[row, b] - value[row, a]
                if b != a and d > gain[a, b, last]:
                    at = last
                    while at > head[a, b] and gain[a, b, at - 1] < d:
                        gain[a, b, at] = gain[a, b, at - 1]
                        mover[a, b, at] = mover[a, b, at - 1]
                        at -= 1
                    gain[a, b, at] = d
                    mover[a, b, at] = row
        for a in range(columns):
            before[a] = -1
            reach[a] = 0 if excess[a] > 0 else _NOTHING
            for b in range(columns):
                # Whoever has moved on stands in the list still.
                row = mover[a, b, head[a, b]]
                while row >= 0 and choice[row] != a:
                    head[a, b] += 1
                    if head[a, b] > last:
                        return
                    row = mover[a, b, head[a, b]]
        # No round of moves gains anything, as the choice is the best for its numbers.
        better = True
        while better:
            better = False
            for a in range(columns):
                for b in range(columns):
                    d = reach[a] + gain[a, b, head[a, b]]
                    if d > reach[b]:
                        reach[b], before[b] = d, a
                        better = True
        goal, best = -1, _NOTHING
        for b in range(columns):
            if excess[b] < 0 and reach[b] > best:
                goal, best = b, reach[b]
        if goal < 0:
            return
        excess[goal] += 1
        waiting = 0
        while before[goal] >= 0:
            a = before[goal]
            row = mover[a, goal, head[a, goal]]
            choice[row] = goal
            fresh[waiting] = row
            waiting += 1
            goal = a
        excess[goal] -= 1
